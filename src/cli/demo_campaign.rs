//! `evenbeat demo --campaign`: paints recordings, writes plans, and runs two campaigns, the later held against the earlier.

use std::fs;
use std::io::BufWriter;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

use evenbeat::capture::FrameSource;
use evenbeat::demo::campaign::{plan, write_y4m, Round, CLIPS, DEVICES};
use evenbeat::error::{Error, Result};
use evenbeat::output::{write_error, Existing, WholeFile};

use super::arguments::DemoArguments;
use super::campaign::{campaign, CampaignArguments};
use super::exit::Exit;
use super::interrupt::STOP;
use super::say;

/// How errors call what is painted.
const PAINTED: &str = "painted recording";
/// Folder of the clips, as the plans name it.
const CLIPS_FOLDER: &str = "clips";

/// What belongs to one firmware, by names within the demonstration's folder.
struct Names {
    round: Round,
    title: &'static str,
    plan: &'static str,
    recordings: &'static str,
    results: &'static str,
}

/// The earlier firmware first: the later one is held against it.
const ROUNDS: [Names; 2] = [
    Names {
        round: Round::Earlier,
        title: "Earlier firmware",
        plan: "earlier.toml",
        recordings: "earlier-recordings",
        results: "earlier-results",
    },
    Names {
        round: Round::Now,
        title: "Demonstration",
        plan: "plan.toml",
        recordings: "recordings",
        results: "results",
    },
];

/// Paints, plans and runs.
///
/// # Errors
/// The folder is there already, or cannot be written.
pub fn demo(arguments: &DemoArguments) -> Result<Exit> {
    let out = &arguments.out;
    if out.exists() && !arguments.force {
        return Err(Error::new(
            out.display().to_string(),
            "output folder",
            "it is there already",
            "choose another folder with --out, or write into it with --force",
        ));
    }
    for clip in &CLIPS {
        paint(&out.join(CLIPS_FOLDER).join(format!("{}.y4m", clip.id)), clip.open())?;
    }
    let mut exit = Exit::Clean;
    let mut earlier: Option<PathBuf> = None;
    for names in &ROUNDS {
        paint_round(out, names)?;
        let plan_file = out.join(names.plan);
        WholeFile::reserve(&plan_file, "plan", Existing::Replace)?
            .write_text(&plan(names.round, (names.title, names.recordings)))?;
        if STOP.load(Ordering::SeqCst) {
            return Ok(Exit::Interrupted);
        }
        if !arguments.quiet {
            say::answer(&format!("{}:\n", names.title));
        }
        let results = out.join(names.results);
        exit = campaign(&CampaignArguments::of_plan(plan_file, results.clone(), earlier, arguments.quiet))?;
        earlier = Some(results);
    }
    // Findings are what the demonstration is for.
    Ok(if matches!(exit, Exit::Findings) { Exit::Clean } else { exit })
}

fn paint_round(out: &Path, names: &Names) -> Result<()> {
    for device in &DEVICES {
        for clip in &CLIPS {
            if STOP.load(Ordering::SeqCst) {
                return Ok(());
            }
            let file = out.join(names.recordings).join(device.id).join(format!("{}.y4m", clip.id));
            paint(&file, device.open(clip, names.round))?;
        }
    }
    Ok(())
}

fn paint(path: &Path, source: Box<dyn FrameSource>) -> Result<()> {
    if let Some(above) = path.parent() {
        fs::create_dir_all(above).map_err(|error| write_error(above, "cannot make the folder", &error))?;
    }
    let mut file = BufWriter::new(WholeFile::reserve(path, PAINTED, Existing::Replace)?);
    let place = path.display().to_string();
    write_y4m(source, (&place, &mut file))?;
    let whole = file.into_inner().map_err(|error| write_error(path, "cannot write", error.error()))?;
    whole.commit()
}
