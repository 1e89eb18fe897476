//! `evenbeat campaign --watch`: recordings are audited as they come.
//!
//! A recording is taken when it is written whole: whoever wrote to it has closed it, or, where the system does not tell that
//! (other systems than Linux, files that another machine writes), it has been quiet for a while.

use std::collections::{BTreeSet, HashMap};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant, SystemTime};

use crossbeam_channel::{unbounded, Receiver, RecvTimeoutError};
use evenbeat::campaign::json;
use evenbeat::campaign::model::Campaign;
use evenbeat::campaign::plan::Plan;
use evenbeat::campaign::task::tasks;
use evenbeat::error::{Error, Result};
use notify::event::{AccessKind, AccessMode};
use notify::{Event, EventKind, RecursiveMode, Watcher};

use super::campaign::{refuse, CampaignArguments, Place};
use super::exit::Exit;
use super::interrupt::STOP;
use super::say;

/// How often it is looked whether something may be done.
const LOOK_EVERY: Duration = Duration::from_millis(500);
/// How long a recording must be quiet when nobody is known to write to it.
const QUIET: Duration = Duration::from_secs(3);
/// How long it must be quiet when somebody was seen to write to it and not to close it. Recorders write every second or
/// so; a minute without is an end that was not seen. Choice.
const QUIET_WHILE_OPEN: Duration = Duration::from_secs(60);

/// Watches until it is interrupted.
pub fn watch(arguments: &CampaignArguments) -> Result<Exit> {
    let earlier = arguments.against.as_deref().map(json::read).transpose()?;
    let (sender, events) = unbounded();
    let mut watcher = notify::recommended_watcher(move |event| {
        // Nobody listens any more at the end.
        let _ = sender.send(event);
    })
    .map_err(|error| failed(arguments.plan_path(), &error))?;
    let mut writers = Writers::default();
    let mut watched: Vec<PathBuf> = Vec::new();
    let mut last: Option<(Plan, BTreeSet<u32>)> = None;
    let mut told = Vec::new();
    while !STOP.load(Ordering::SeqCst) {
        writers.hear(&events);
        match Plan::read_waiting(arguments.plan_path(), arguments.clips.as_deref()) {
            Ok(plan) => {
                told.clear();
                follow(&mut watcher, &mut watched, &plan, arguments)?;
                let units = plan.units.iter().filter(|unit| writers.is_whole(&unit.recording));
                let whole: BTreeSet<u32> = units.map(|unit| unit.number).collect();
                if last.as_ref().is_none_or(|(before, done)| (before, done) != (&plan, &whole)) {
                    step(&plan, &whole, arguments, earlier.as_ref())?;
                    last = Some((plan, whole));
                }
            }
            // A plan that is being written is wrong for a moment; what is wrong is said once.
            Err(errors) if errors != told => {
                refuse(&errors);
                told = errors;
            }
            Err(_) => {}
        }
        writers.wait(&events);
    }
    Ok(Exit::Interrupted)
}

/// Audits the recordings that are whole, by their numbers, and makes the results anew.
fn step(
    plan: &Plan,
    whole: &BTreeSet<u32>,
    arguments: &CampaignArguments,
    earlier: Option<&Campaign>,
) -> Result<()> {
    let place = Place::claim(plan, arguments)?;
    let mut tasks = tasks(plan);
    tasks.retain(|task| whole.contains(&task.unit.number));
    let failures = place.run(plan, &tasks);
    place.collect(plan, &failures, earlier)?;
    let waiting = plan.units.len() - whole.len();
    if waiting > 0 && !arguments.quiet {
        let recordings = if waiting == 1 { "1 recording" } else { &format!("{waiting} recordings") };
        say::tell(&format!("waiting for {recordings}; Ctrl-C ends it"));
    }
    Ok(())
}

/// Watches the folders in which recordings lie or will lie.
fn follow(
    watcher: &mut impl Watcher,
    watched: &mut Vec<PathBuf>,
    plan: &Plan,
    arguments: &CampaignArguments,
) -> Result<()> {
    let folders = plan.units.iter().filter_map(|unit| unit.recording.parent());
    let own = arguments.plan_path();
    let own = if own.is_dir() { Some(own) } else { own.parent() };
    for folder in own.into_iter().chain(folders) {
        let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
        let Ok(real) = folder.canonicalize() else { continue };
        if watched.contains(&real) {
            continue;
        }
        let how = if arguments.plan_path().is_dir() {
            RecursiveMode::Recursive
        } else {
            RecursiveMode::NonRecursive
        };
        watcher.watch(&real, how).map_err(|error| failed(&real, &error))?;
        watched.push(real);
    }
    Ok(())
}

fn failed(path: &Path, error: &notify::Error) -> Error {
    Error::new(
        path.display().to_string(),
        "cannot be watched",
        error.to_string().to_lowercase(),
        "run the campaign without --watch when the recordings are there",
    )
}

/// Who was seen to write to files and not to close them.
#[derive(Default)]
struct Writers {
    open: HashMap<PathBuf, Instant>,
}

impl Writers {
    fn hear(&mut self, events: &Receiver<notify::Result<Event>>) {
        while let Ok(event) = events.try_recv() {
            self.take(event);
        }
    }

    /// Waits for an event, or until it is time to look again.
    fn wait(&mut self, events: &Receiver<notify::Result<Event>>) {
        match events.recv_timeout(LOOK_EVERY) {
            Ok(event) => self.take(event),
            Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {}
        }
    }

    fn take(&mut self, event: notify::Result<Event>) {
        let Ok(event) = event else { return };
        for path in event.paths {
            match event.kind {
                EventKind::Create(_) | EventKind::Modify(notify::event::ModifyKind::Data(_)) => {
                    self.open.insert(path, Instant::now());
                }
                EventKind::Access(AccessKind::Close(AccessMode::Write)) | EventKind::Remove(_) => {
                    self.open.remove(&path);
                }
                _ => {}
            }
        }
    }

    /// Whether a recording is there and nobody writes to it any more.
    fn is_whole(&self, recording: &Path) -> bool {
        let Ok(real) = recording.canonicalize() else { return false };
        let is_of = |path: &PathBuf| *path == real || real.is_dir() && path.starts_with(&real);
        let written = self.open.iter().filter(|(path, _)| is_of(path)).map(|(_, at)| *at).max();
        if written.is_some_and(|at| at.elapsed() < QUIET_WHILE_OPEN) {
            return false;
        }
        quiet_for(&real).is_some_and(|quiet| quiet >= QUIET)
    }
}

/// How long nothing was written to a recording that holds something.
fn quiet_for(recording: &Path) -> Option<Duration> {
    let found = fs::metadata(recording).ok()?;
    let newest = if found.is_dir() {
        let entries = fs::read_dir(recording).ok()?.flatten();
        entries.filter_map(|entry| entry.metadata().ok()?.modified().ok()).max()?
    } else {
        found.modified().ok().filter(|_| found.len() > 0)?
    };
    // A clock that is behind that of the writer: quiet for no time.
    SystemTime::now().duration_since(newest).ok()
}
