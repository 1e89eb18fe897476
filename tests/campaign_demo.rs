//! `evenbeat demo --campaign` and the bug report from it, from end to end.

mod cli_common;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use cli_common::Desk;
use evenbeat::campaign::json::parse;
use evenbeat::campaign::model::{Campaign, Standing, Way};

/// Every file below a folder, but what only spares work.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(&next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() && !path.ends_with(".evenbeat") {
                folders.push(path);
            } else if path.is_file() {
                found.insert(path.strip_prefix(folder).unwrap().to_owned(), fs::read(&path).unwrap());
            }
        }
    }
    found
}

fn standing(campaign: &Campaign, device: &str, clip: &str) -> (Standing, Way) {
    let cell = campaign.cells.iter().find(|cell| cell.device == device && cell.clip == clip).unwrap();
    (cell.standing, cell.change.as_ref().unwrap().way)
}

#[test]
fn the_demonstration_tells_the_truth_and_can_be_published() {
    let desk = Desk::new();
    let ran = desk.run("demo --campaign --out demo --quiet");
    assert_eq!((ran.status, ran.stderr.as_str()), (Some(0), ""), "{ran:?}");
    let text = String::from_utf8(desk.read("demo/results/campaign.json")).unwrap();
    let campaign = parse(&text).unwrap();
    for (device, clip, expected) in [
        ("lantern-box", "tram", (Standing::Right, Way::Mended)),
        ("lantern-box", "quay", (Standing::Right, Way::Mended)),
        ("brass-kettle", "tram", (Standing::Wrong, Way::Worse)),
        ("brass-kettle", "quay", (Standing::Right, Way::Unchanged)),
        ("brass-kettle", "evening", (Standing::Right, Way::Unchanged)),
        ("paper-boat", "tram", (Standing::Wrong, Way::Unchanged)),
        ("wool-mitten", "tram", (Standing::Wrong, Way::Unchanged)),
    ] {
        assert_eq!(standing(&campaign, device, clip), expected, "{device} {clip}");
    }
    let published = files(&desk.path("demo/results"));
    let index = String::from_utf8(published[Path::new("index.html")].clone()).unwrap();
    assert!(index.contains("1 of 4 devices plays all 3 clips right."), "{index}");
    let chart = if cfg!(feature = "png-charts") { "campaign.png" } else { "campaign.svg" };
    for name in ["devices/brass-kettle.html", "clips/tram.html", chart, "clips/tram.svg"] {
        assert!(published.contains_key(Path::new(name)), "{name}: {:?}", published.keys());
    }
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/campaign.svg");
    assert!(
        published[Path::new("campaign.svg")] == fs::read(sample).unwrap(),
        "the README shows what the demonstration draws: copy its campaign.svg to samples"
    );
    let machine = desk.path("").to_string_lossy().trim_end_matches('/').to_owned();
    for (path, bytes) in &published {
        let holds = |needle: &str| bytes.windows(needle.len()).any(|window| window == needle.as_bytes());
        assert!(!holds(&machine), "{} names a folder of the machine", path.display());
    }

    let again = desk.run("campaign demo/plan.toml --out demo/results --against demo/earlier-results --quiet");
    assert_eq!((again.status, again.stderr.as_str()), (Some(1), ""));
    assert_eq!(files(&desk.path("demo/results")), published, "nothing changed, so nothing is written anew");

    bug_report(&desk);
}

/// The page for the maker, with and without a piece of the recording.
fn bug_report(desk: &Desk) {
    let ran = desk.run("campaign report brass-kettle/tram --campaign demo/results");
    assert_eq!((ran.status, ran.stderr.as_str()), (Some(0), ""), "{ran:?}");
    assert_eq!(ran.stdout, "page: brass-kettle-tram-bug-report/bug-report.html\n");
    let page = String::from_utf8(desk.read("brass-kettle-tram-bug-report/bug-report.html")).unwrap();
    for part in ["Brass kettle", "5.1", "Tram, 59.94", "29.97", "data:image/png;base64,", "tram.y4m"] {
        assert!(page.contains(part), "{part}: {page}");
    }
    assert!(!page.contains("<script") && !page.contains("excerpt.mkv"), "{page}");

    for (arguments, error) in [
        ("campaign report brass-kettle --campaign demo/results", "it is not DEVICE/CLIP or DEVICE/CLIP/RUN"),
        ("campaign report nobody/tram --campaign demo/results", "\"nobody\" is no device of it"),
        ("campaign report brass-kettle/tram --campaign demo/plan.toml", "cannot read the campaign"),
        ("campaign report brass-kettle/tram --campaign demo/results", "already"),
        (
            "campaign report brass-kettle/tram --campaign demo/results --out other --excerpt demo/clips/tram.y4m",
            "not the recording that was audited",
        ),
    ] {
        let ran = desk.run(arguments);
        assert_eq!(ran.status, Some(2), "{arguments}: {ran:?}");
        assert!(ran.stderr.contains(error), "{arguments}: {}", ran.stderr);
    }
    assert!(!desk.path("other").exists(), "nothing is left of a report that failed");

    if std::process::Command::new("ffmpeg").arg("-version").output().is_err() {
        eprintln!("SKIPPED the excerpt: there is no decoder");
        return;
    }
    let ran = desk.run(
        "campaign report brass-kettle/tram --campaign demo/results --out sent \
         --excerpt demo/recordings/brass-kettle/tram.y4m",
    );
    assert_eq!((ran.status, ran.stderr.as_str()), (Some(0), ""), "{ran:?}");
    let excerpt = desk.read("sent/excerpt.mkv");
    assert!(excerpt.starts_with(&[0x1a, 0x45, 0xdf, 0xa3]), "Matroska (RFC 8794 section 8.1)");
    let page = String::from_utf8(desk.read("sent/bug-report.html")).unwrap();
    assert!(page.contains(blake3::hash(&excerpt).to_hex().as_str()), "{page}");
    // The pictures themselves, not encoded anew: the piece shows what the recording shows.
    let ran = desk.run("audit sent/excerpt.mkv --out excerpt-audit --quiet");
    assert_eq!(ran.status, Some(1), "{ran:?}");
    let audit = desk.json("excerpt-audit/audit.json");
    assert_eq!(audit["cadence"]["label"], "2:2", "{audit}");
}
