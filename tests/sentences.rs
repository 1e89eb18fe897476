//! Every sentence that the command writes about eight painted recordings, each alone and with the clip: half rate, stalls,
//! drops, mixes, one field, wrong levels, a stretched picture, and a clean one. `EVENBEAT_SENTENCES_KEPT=FOLDER` keeps
//! recordings and reports for looking at.

mod cli_common;
mod sentence_check;

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::sync::Arc;

use cli_common::Desk;
use evenbeat::demo::schedule::{self, Stall};
use evenbeat::demo::{Harbour, Shown};
use evenbeat::frame::{Family, FrameShape, PixelFormat};
use evenbeat::units::Rate;
use sentence_check::{prose_of_markdown, slips, texts_of_json, visible_text};

const FRAMES: usize = 180;
/// Pixels: enough for levels and geometry to be measured.
const SIZE: (usize, usize) = (320, 180);
/// As much faster than the demo's clip as the picture is smaller.
const PACE: f32 = 2.0;

/// What a device does to the samples of a frame.
type Treatment = fn(&mut [u8]);

/// The eight recordings: name, what each frame shows, what is done to it.
fn recordings() -> [(&'static str, Vec<Shown>, Treatment); 8] {
    let every: Vec<u64> = (0..FRAMES as u64).collect();
    let stalled = |lost: u64| {
        let stall = |first_frame| Stall { first_frame, frames: 12, lost };
        schedule::plain(&schedule::stalled(&every, &[stall(30), stall(80), stall(140)]))
    };
    let dropped: Vec<u64> =
        every.iter().map(|&frame| frame + u64::from(frame >= 50) + 2 * u64::from(frame >= 120)).collect();
    let halved: Vec<u64> = every.iter().map(|frame| frame / 2 * 2).collect();
    let plain = schedule::plain(&every);
    [
        ("clean", plain.clone(), as_it_is),
        ("half-rate", schedule::plain(&halved), as_it_is),
        ("stalls", stalled(12), as_it_is),
        ("drops", schedule::plain(&dropped), as_it_is),
        ("mixes", mixed(), as_it_is),
        ("one-field", plain.clone(), one_field),
        ("levels", plain.clone(), expanded),
        ("stretched", plain, squeezed_across),
    ]
}

/// Converted by way of 50 pictures per second.
fn mixed() -> Vec<Shown> {
    let (rate, inner) = (rate(), Rate::parse("50").unwrap());
    let kept = schedule::even(rate, inner, FRAMES + 1);
    let of_kept = |shown| match shown {
        Shown::Picture(slot) => Shown::Picture(kept[slot as usize]),
        Shown::Mix { first, second, weight } => {
            Shown::Mix { first: kept[first as usize], second: kept[second as usize], weight }
        }
    };
    schedule::mixed(inner, rate, FRAMES).into_iter().map(of_kept).collect()
}

fn as_it_is(_: &mut [u8]) {}

/// Every second row of luma rebuilt from its neighbours.
fn one_field(samples: &mut [u8]) {
    let (width, height) = SIZE;
    for row in (1..height - 1).step_by(2) {
        for column in 0..width {
            let [above, below] = [row - 1, row + 1].map(|row| u16::from(samples[row * width + column]));
            samples[row * width + column] = (above + below).div_ceil(2) as u8;
        }
    }
}

/// The limited range taken for the full one (ITU-R BT.601: 16 to 235, colour differences 16 to 240).
fn expanded(samples: &mut [u8]) {
    let (luma, chroma) = samples.split_at_mut(SIZE.0 * SIZE.1);
    luma.iter_mut()
        .for_each(|code| *code = ((f32::from(*code) - 16.0) * 255.0 / 219.0).clamp(0.0, 255.0) as u8);
    chroma.iter_mut().for_each(|code| {
        *code = ((f32::from(*code) - 128.0) * 255.0 / 224.0 + 128.0).clamp(0.0, 255.0) as u8;
    });
}

/// Squeezed across to three quarters, with borders.
fn squeezed_across(samples: &mut [u8]) {
    let (width, height) = SIZE;
    let (luma, chroma) = samples.split_at_mut(width * height);
    luma.chunks_mut(width).for_each(|row| squeeze(row, 16));
    chroma.chunks_mut(width / 2).for_each(|row| squeeze(row, 128));
}

fn squeeze(row: &mut [u8], border: u8) {
    let from = row.to_vec();
    let (left, right) = (row.len() / 8, row.len() - row.len() / 8);
    for (column, sample) in row.iter_mut().enumerate() {
        if !(left..right).contains(&column) {
            *sample = border;
            continue;
        }
        let place = (column - left) as f32 * 4.0 / 3.0 + 1.0 / 6.0;
        let (at, part) = (place as usize, place.fract());
        let next = from[(at + 1).min(from.len() - 1)];
        *sample = (f32::from(from[at]) * (1.0 - part) + f32::from(next) * part).round() as u8;
    }
}

fn rate() -> Rate {
    Rate::parse("59.94").unwrap()
}

/// Writes a recording as YUV4MPEG2.
fn paint(path: &Path, shown: &[Shown], treat: Treatment) {
    let pixel_format = PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 };
    let shape = FrameShape { width: SIZE.0 as u32, height: SIZE.1 as u32, pixel_format };
    let painter = Arc::new(Harbour::new(shape, PACE));
    let mut file = BufWriter::new(File::create(path).unwrap());
    writeln!(file, "YUV4MPEG2 W{} H{} F60000:1001 Ip A1:1 C420mpeg2", SIZE.0, SIZE.1).unwrap();
    let (mut samples, mut other) = (Vec::new(), Vec::new());
    for &one in shown {
        match one {
            Shown::Picture(picture) => painter.paint(picture, &mut samples),
            Shown::Mix { first, second, weight } => {
                painter.paint(first, &mut samples);
                painter.paint(second, &mut other);
                evenbeat::demo::devices::mix(&mut samples, &other, weight, pixel_format);
            }
        }
        treat(&mut samples);
        file.write_all(b"FRAME\n").and_then(|()| file.write_all(&samples)).unwrap();
    }
    file.flush().unwrap();
}

/// What slips of everything that a person reads in a folder.
fn slips_of_folder(name: &str, folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    let text = |file: &str| fs::read_to_string(folder.join(file)).unwrap();
    for entry in fs::read_dir(folder).unwrap() {
        let file = entry.unwrap().file_name().into_string().unwrap();
        let place = format!("{name}/{file}");
        match file.rsplit('.').next().unwrap() {
            "md" => found.extend(slips(&place, &prose_of_markdown(&text(&file)))),
            "html" | "svg" => found.extend(slips(&place, &visible_text(&text(&file)))),
            "json" => {
                let texts = texts_of_json(&serde_json::from_str(&text(&file)).unwrap());
                found.extend(texts.iter().flat_map(|text| slips(&place, text)));
            }
            _ => {}
        }
    }
    found
}

#[test]
fn every_sentence_about_eight_recordings_reads_well() {
    let desk = Desk::new();
    let kept = std::env::var_os("EVENBEAT_SENTENCES_KEPT").map(std::path::PathBuf::from);
    let (mut audits, mut found) = (Vec::new(), Vec::new());
    for (name, shown, treat) in recordings() {
        paint(&desk.path(format!("{name}.y4m")), &shown, treat);
        for (suffix, clip) in [("", ""), ("-rate", "--clip-rate 59.94"), ("-clip", "--reference clean.y4m")] {
            let out = format!("{name}{suffix}");
            let ran = desk.run(&format!("audit {name}.y4m {clip} --out {out} --device {name}"));
            assert!(matches!(ran.status, Some(0 | 1)), "{out}: {}", ran.stderr);
            found.extend(slips(&format!("{out}, standard output"), &ran.stdout));
            found.extend(slips(&format!("{out}, standard error"), &ran.stderr));
            found.extend(slips_of_folder(&out, &desk.path(&out)));
            if suffix == "-clip" {
                audits.push(out);
            }
        }
    }
    for (out, audits) in [("two", &audits[..2]), ("eight", &audits[..])] {
        let ran = desk.run(&format!("compare {} --out {out}", audits.join(" ")));
        assert_eq!(ran.status, Some(0), "{}", ran.stderr);
        found.extend(slips(&format!("{out}, standard output"), &ran.stdout));
        found.extend(slips_of_folder(out, &desk.path(out)));
    }
    if let Some(folder) = kept {
        fs::create_dir_all(&folder).unwrap();
        let copied = std::process::Command::new("cp").arg("-r").arg(desk.path(".")).arg(&folder).status();
        assert!(copied.unwrap().success());
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn every_help_reads_well() {
    let desk = Desk::new();
    let commands = [
        "audit",
        "fingerprint",
        "join",
        "compare",
        "campaign",
        "campaign report",
        "report",
        "testclip",
        "print",
        "demo",
    ];
    let found: Vec<String> = [""]
        .into_iter()
        .chain(commands)
        .flat_map(|command| {
            let ran = desk.run(&format!("{command} --help"));
            assert_eq!(ran.status, Some(0), "{command}: {}", ran.stderr);
            // What the parser of the command line writes itself.
            let own = ["subcommand(s)", "...", "[default: .]"];
            slips(command, &own.iter().fold(ran.stdout, |text, own| text.replace(own, "…")))
        })
        .collect();
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn slips_of_the_pen_are_seen() {
    for (text, is_wrong) in [
        ("Loses 1 pictures.", true),
        ("Loses 1 picture at 2 s.", false),
        ("1 new pictures", true),
        ("12 frame, twice", true),
        ("12345 frames", true),
        ("1440 pictures", true),
        ("12\u{202f}345 frames", false),
        ("a drift of -0.0", true),
        ("found -0", true),
        ("a drift of -0.00 ± 0.00 ppm", true),
        ("a drift of -0.01 ppm", false),
        ("1 of 3 frames", false),
        ("1 of 3 frames show a new picture", true),
        ("1 of 3 frames shows a new picture", false),
        ("1 pictures are lost", true),
        ("1 picture are lost", true),
        ("2 pictures is lost", true),
        ("frames 72–72", true),
        ("frames 72–90", false),
        ("broken 1 times", true),
        ("one; two; three.", true),
        ("one; two. Three; four.", false),
    ] {
        assert_eq!(sentence_check::slip_of_the_pen(text).is_some(), is_wrong, "{text}");
    }
}
