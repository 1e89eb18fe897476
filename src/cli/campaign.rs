//! `evenbeat campaign`: many recordings in one go.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::thread;

use clap::{ArgGroup, Args, Subcommand};
use evenbeat::campaign::known::Known;
use evenbeat::campaign::model::{Campaign, Standing};
use evenbeat::campaign::plan::{plan_of_folder, Plan, Unit, PLAN_TOML};
use evenbeat::campaign::task::{tasks, Task};
use evenbeat::campaign::work::{claim, date_of, known_in, tidy, Clips, Subject, Workplace};
use evenbeat::campaign::{
    against, collect, json, junit, run, table, CAMPAIGN_CSV, CAMPAIGN_JSON, CAMPAIGN_JUNIT,
};
use evenbeat::capture::Part;
use evenbeat::error::{Error, Result};
use evenbeat::output::{Disk, Existing, OutputFolder, WholeFile};
use evenbeat::report::campaign::INDEX_HTML;
use evenbeat::report::{write_all, Report};
use serde_json::json;

use super::arguments::{PICTURES_DEFAULT_MB, PICTURES_MAX_MB};
use super::campaign_pages;
use super::campaign_progress::Told;
use super::campaign_report::{self, CampaignReportArguments};
use super::campaign_watch;
use super::commands::now;
use super::exit::Exit;
use super::interrupt::STOP;
use super::pictures::{self, Wanted};
use super::say;

/// `campaign`.
#[derive(Args, Debug)]
#[command(
    after_help = EXAMPLES,
    args_conflicts_with_subcommands = true,
    subcommand_negates_reqs = true,
    group(ArgGroup::new("what").args(["plan", "new"]).required(true)),
    group(ArgGroup::new("part").args(["watch", "units", "unit", "collect"])),
)]
pub struct CampaignArguments {
    /// What to do with a campaign that was run.
    #[command(subcommand)]
    pub command: Option<CampaignCommand>,
    /// A TOML file that names clips, devices and recordings, or a folder with DEVICE/CLIP.* in it.
    pub plan: Option<PathBuf>,
    /// Write a plan, plan.toml, from what lies in this folder, with every key explained.
    #[arg(long, value_name = "FOLDER")]
    pub new: Option<PathBuf>,
    /// Where PLAN is a folder: the folder of the clips, each named as its recordings are.
    #[arg(long, value_name = "FOLDER")]
    pub clips: Option<PathBuf>,
    /// Folder for the results; without it `<plan>-campaign` in the current folder. What is there already and has not changed
    /// is not done again.
    #[arg(long, value_name = "DIR", conflicts_with = "new")]
    pub out: Option<PathBuf>,
    /// Recordings that are audited at the same time; without it one for every two processors.
    #[arg(long, value_name = "N", conflicts_with = "new")]
    pub jobs: Option<NonZeroUsize>,
    /// Decoder program; without it `ffmpeg` is looked for on the search path.
    #[arg(long, value_name = "PATH", conflicts_with = "new")]
    pub decoder: Option<PathBuf>,
    /// An earlier campaign, its folder or campaign.json: every cell then says whether it is mended, worse or unchanged.
    #[arg(long, value_name = "CAMPAIGN", conflicts_with_all = ["new", "units", "unit"])]
    pub against: Option<PathBuf>,
    /// Go on as recordings come: each is audited as soon as it is written whole. Ctrl-C ends it.
    #[arg(long, conflicts_with = "new")]
    pub watch: bool,
    /// List the units of work, one line of JSON each, for a scheduler.
    #[arg(long, conflicts_with = "new")]
    pub units: bool,
    /// Do one unit of work only, in any order and on any machine that sees the files.
    #[arg(long, value_name = "N", conflicts_with = "new")]
    pub unit: Option<u32>,
    /// Make the pages from the units that are done.
    #[arg(long, conflicts_with = "new")]
    pub collect: bool,
    /// Largest size of each report.html with its pictures, MB of 1,000,000 bytes; 0 leaves pictures out.
    #[arg(long, value_name = "MB", default_value_t = PICTURES_DEFAULT_MB,
          value_parser = clap::value_parser!(u32).range(..=i64::from(PICTURES_MAX_MB)))]
    pub pictures: u32,
    /// Replace plan.toml, where --new finds one.
    #[arg(long, requires = "new")]
    pub force: bool,
    /// No progress and no summary.
    #[arg(long, short)]
    pub quiet: bool,
}

/// What to do with a campaign that was run.
#[derive(Subcommand, Debug)]
pub enum CampaignCommand {
    /// Write one page about one recording, for the maker of the device.
    Report(CampaignReportArguments),
}

const EXAMPLES: &str = "\
Examples:
  evenbeat campaign --new recordings                 # writes recordings/plan.toml to fill in
  evenbeat campaign recordings/plan.toml --out results
  evenbeat campaign recordings --clips clips         # without a plan: recordings/kitchen/harbour.mkv, clips/harbour.mp4
  evenbeat campaign plan.toml --out results --against last-time/campaign.json
  evenbeat campaign plan.toml --out results --watch
  evenbeat campaign report kitchen/harbour --campaign results
  evenbeat campaign plan.toml --out results --unit 7  # one unit, for a scheduler; then --collect

Exit status: 0 every cell is right or was not tested, 1 one is wrong, 2 one could not be audited, was not read whole or is missing, 130 interrupted.";

impl CampaignArguments {
    /// Those of a plan with results in `out`, everything else as it is without options.
    pub(super) fn of_plan(plan: PathBuf, out: PathBuf, against: Option<PathBuf>, quiet: bool) -> Self {
        Self {
            command: None,
            plan: Some(plan),
            new: None,
            clips: None,
            out: Some(out),
            jobs: None,
            decoder: None,
            against,
            watch: false,
            units: false,
            unit: None,
            collect: false,
            pictures: PICTURES_DEFAULT_MB,
            force: false,
            quiet,
        }
    }

    fn plan(&self) -> std::result::Result<Plan, Vec<Error>> {
        Plan::read(self.plan_path(), self.clips.as_deref())
    }

    pub(super) fn plan_path(&self) -> &Path {
        self.plan.as_deref().unwrap_or(Path::new("."))
    }

    pub(super) fn folder(&self) -> PathBuf {
        self.out.clone().unwrap_or_else(|| {
            let plan = self.plan_path();
            let real = plan.canonicalize().unwrap_or_else(|_| plan.to_owned());
            let name = if real.is_dir() { real.file_name() } else { real.file_stem() };
            let name = name.map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            PathBuf::from(format!("{name}-campaign"))
        })
    }

    fn jobs(&self) -> NonZeroUsize {
        // An audit keeps two processors busy.
        let half = thread::available_parallelism().map_or(1, |count| count.get().div_ceil(2));
        self.jobs.or(NonZeroUsize::new(half)).unwrap_or(NonZeroUsize::MIN)
    }
}

/// `evenbeat campaign`.
pub fn campaign(arguments: &CampaignArguments) -> Result<Exit> {
    if let Some(CampaignCommand::Report(arguments)) = &arguments.command {
        return campaign_report::report(arguments);
    }
    if let Some(folder) = &arguments.new {
        return write_plan(folder, arguments);
    }
    if arguments.watch {
        return campaign_watch::watch(arguments);
    }
    let plan = match arguments.plan() {
        Ok(plan) => plan,
        Err(errors) => return Ok(refuse(&errors)),
    };
    if arguments.units {
        return list(&plan, arguments);
    }
    let earlier = arguments.against.as_deref().map(json::read).transpose()?;
    let place = Place::claim(&plan, arguments)?;
    if let Some(number) = arguments.unit {
        return one(&plan, number, &place);
    }
    let failures = if arguments.collect { BTreeMap::new() } else { place.run(&plan, &tasks(&plan)) };
    let campaign = place.collect(&plan, &failures, earlier.as_ref())?;
    Ok(exit(&campaign))
}

/// Says everything that is wrong with a plan.
pub(super) fn refuse(errors: &[Error]) -> Exit {
    for error in errors {
        say::tell(&error.to_string());
        say::hint(&error.hint);
    }
    if errors.len() > 1 {
        say::tell(&format!("the plan has {} errors; nothing was run", errors.len()));
    }
    Exit::NotWhole
}

fn write_plan(folder: &Path, arguments: &CampaignArguments) -> Result<Exit> {
    let text = plan_of_folder(folder, arguments.clips.as_deref())?;
    let path = folder.join(PLAN_TOML);
    let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
    WholeFile::reserve(&path, "plan", existing)?.write_text(&text)?;
    if !arguments.quiet {
        say::answer(&format!("plan: {}\n", path.display()));
    }
    Ok(Exit::Clean)
}

/// The units as a scheduler wants them.
fn list(plan: &Plan, arguments: &CampaignArguments) -> Result<Exit> {
    // Whoever lists them is the first: all units bear the date of now.
    let out = arguments.folder();
    claim(&out)?;
    date_of(plan, &out, now()?)?;
    let mut text = String::new();
    for Task { number, unit, part, bytes } in tasks(plan) {
        let line = json!({
            "unit": number,
            "device": plan.devices[unit.device].id,
            "clip": plan.clips[unit.clip].id,
            "run": unit.run,
            "recording": unit.recording.to_string_lossy(),
            "bytes": bytes,
            "folder": unit.folder,
            "part": part.map(Part::number),
            "parts": part.map(Part::of),
        });
        text.push_str(&format!("{line}\n"));
    }
    // Data goes its own way: JSON hides what a terminal must not see by its escapes. A closed stream changes nothing.
    let _ = std::io::stdout().write_all(text.as_bytes());
    Ok(Exit::Clean)
}

fn one(plan: &Plan, number: u32, place: &Place<'_>) -> Result<Exit> {
    let all = tasks(plan);
    let Some(task) = all.iter().find(|task| task.number == number) else {
        return Err(Error::new(
            "--unit",
            "no such unit",
            format!("{number}, allowed are 1 to {}", all.len()),
            "--units lists them",
        ));
    };
    let failures = place.run(plan, std::slice::from_ref(task));
    Ok(match (failures.is_empty(), STOP.load(Ordering::SeqCst)) {
        (_, true) => Exit::Interrupted,
        (true, false) => Exit::Clean,
        (false, false) => Exit::NotWhole,
    })
}

/// The campaign's folder and how it is worked in.
pub(super) struct Place<'a> {
    arguments: &'a CampaignArguments,
    out: PathBuf,
    known: Known,
    date: chrono::DateTime<chrono::FixedOffset>,
}

impl<'a> Place<'a> {
    pub(super) fn claim(plan: &Plan, arguments: &'a CampaignArguments) -> Result<Self> {
        let out = arguments.folder();
        claim(&out)?;
        let date = date_of(plan, &out, now()?)?;
        Ok(Self { arguments, known: known_in(&out, arguments.decoder.as_deref()), date, out })
    }

    /// Does tasks; what failed, by the recordings' numbers.
    pub(super) fn run(&self, plan: &Plan, tasks: &[Task<'_>]) -> BTreeMap<u32, Error> {
        let megabytes = self.arguments.pictures;
        let report = |subject: Subject<'_>, target: OutputFolder| {
            let Subject { capture, audit, settings, provenance } = subject;
            let pictures = pictures::of_capture(capture, Wanted { audit, settings, provenance, megabytes });
            // Pictures may be missing then.
            if STOP.load(Ordering::SeqCst) {
                let place = target.path().display().to_string();
                return Err(Error::new(
                    place,
                    "interrupted",
                    "its report was not written",
                    "run the campaign again",
                ));
            }
            write_all(&Report { audit, provenance, pictures: &pictures, stretch: None }, target)
        };
        let workplace = Workplace {
            out: &self.out,
            known: &self.known,
            date: self.date,
            decoder: self.arguments.decoder.as_deref(),
            stop: &STOP,
            report: &report,
            disk: Disk::default(),
            clips: Clips::default(),
        };
        let units: BTreeMap<u32, &Unit> = tasks.iter().map(|task| (task.unit.number, task.unit)).collect();
        tidy(units.values().copied(), &self.out);
        let done: BTreeSet<u32> =
            units.values().filter(|unit| workplace.is_done(unit)).map(|unit| unit.number).collect();
        let undone: Vec<Task<'_>> =
            tasks.iter().filter(|task| !done.contains(&task.unit.number)).copied().collect();
        let told = Told::new(self.arguments.quiet, plan, done.len());
        let failures =
            run::all(&undone, self.arguments.jobs(), &STOP, &|task| workplace.complete(task), &told);
        told.finish();
        failures
    }

    /// Writes what all units come to, and says it.
    pub(super) fn collect(
        &self,
        plan: &Plan,
        failures: &BTreeMap<u32, Error>,
        earlier: Option<&Campaign>,
    ) -> Result<Campaign> {
        let mut campaign = collect(plan, &self.out, &self.known, failures);
        if let Some(earlier) = earlier {
            against::hold_against(&mut campaign, earlier);
        }
        write_results(&campaign, &self.out)?;
        if !self.arguments.quiet {
            say::answer(&summary(&campaign, &self.out));
        }
        Ok(campaign)
    }
}

fn write_results(campaign: &Campaign, out: &Path) -> Result<()> {
    let document = json::document(campaign);
    for (name, text) in [
        (CAMPAIGN_CSV, table::document(campaign)),
        (CAMPAIGN_JUNIT, junit::document(campaign)),
        // Last: what it leads to is there before it.
        (CAMPAIGN_JSON, document),
    ] {
        write_changed(&out.join(name), text.as_bytes())?;
    }
    campaign_pages::write(campaign, out)
}

/// Writes a file, unless it holds that already.
pub(super) fn write_changed(path: &Path, bytes: &[u8]) -> Result<()> {
    if std::fs::read(path).is_ok_and(|there| there == bytes) {
        return Ok(());
    }
    let mut file = WholeFile::reserve(path, "result", Existing::Replace)?;
    let written = file.write_all(bytes);
    written.map_err(|error| evenbeat::output::write_error(path, "cannot write", &error))?;
    file.commit()
}

/// The summary for a terminal.
fn summary(campaign: &Campaign, out: &Path) -> String {
    let mut text = String::new();
    if let Some(against) = &campaign.against {
        text.push_str(&format!(
            "against {}: {} worse, {} mended, {} unchanged, {} not comparable\n",
            against.title, against.worse, against.mended, against.unchanged, against.not_comparable
        ));
    }
    let counts: Vec<String> = Standing::ALL
        .into_iter()
        .map(|standing| (standing, campaign.cells.iter().filter(|cell| cell.standing == standing).count()))
        .filter(|&(_, count)| count > 0)
        .map(|(standing, count)| format!("{count} {}", standing.words()))
        .collect();
    let cells = campaign.cells.len();
    text.push_str(&format!("{cells} {}: {}\n", if cells == 1 { "cell" } else { "cells" }, counts.join(", ")));
    text.push_str(&format!("results: {}\n", out.join(INDEX_HTML).display()));
    text
}

/// The exit status of a campaign.
pub(super) fn exit(campaign: &Campaign) -> Exit {
    let has = |wanted: Standing| campaign.cells.iter().any(|cell| cell.standing == wanted);
    let results = campaign.cells.iter().flat_map(|cell| &cell.runs);
    let is_whole = results.clone().all(|run| run.result.as_ref().is_some_and(|result| result.complete));
    let mut requirements =
        results.filter_map(|run| run.result.as_ref()).flat_map(|result| &result.requirements);
    if STOP.load(Ordering::SeqCst) {
        Exit::Interrupted
    } else if !is_whole {
        Exit::NotWhole
    } else if has(Standing::Wrong) || requirements.any(|requirement| !requirement.passed) {
        Exit::Findings
    } else {
        Exit::Clean
    }
}
