//! How far a campaign is, on standard error: a line when a task ends, nothing when quiet.

use std::sync::Mutex;
use std::time::{Duration, Instant};

use evenbeat::campaign::model::RunResult;
use evenbeat::campaign::plan::{Plan, Unit};
use evenbeat::campaign::run::{Share, Watcher};
use evenbeat::campaign::task::Task;
use evenbeat::error::Error;

use super::say;

/// A line at most this often, but for failures, of which each is told.
const LINE_EVERY: Duration = Duration::from_secs(2);

/// Tells of units.
pub struct Told<'a> {
    quiet: bool,
    plan: &'a Plan,
    begun: Instant,
    done_before: usize,
    last: Mutex<Option<Instant>>,
    failed: Mutex<usize>,
    worst: Mutex<Option<(usize, String)>>,
}

impl<'a> Told<'a> {
    /// Tells of the units of a plan, of which so many were done before.
    pub fn new(quiet: bool, plan: &'a Plan, done_before: usize) -> Self {
        let (last, failed, worst) = (Mutex::new(None), Mutex::default(), Mutex::default());
        Self { quiet, plan, begun: Instant::now(), done_before, last, failed, worst }
    }

    /// Says what was left as it is.
    pub fn finish(&self) {
        if !self.quiet && self.done_before > 0 {
            let unchanged = units(self.done_before);
            say::tell(&format!("{unchanged} unchanged since they were audited"));
        }
    }

    fn name(&self, unit: &Unit) -> String {
        let (device, clip) = (&self.plan.devices[unit.device].id, &self.plan.clips[unit.clip].id);
        if unit.run > 1 {
            format!("{device} × {clip}, run {}", unit.run)
        } else {
            format!("{device} × {clip}")
        }
    }

    /// How long the rest takes if it goes on like this.
    fn left(&self, share: Share) -> Option<Duration> {
        let rest = share.bytes_all.saturating_sub(share.bytes);
        (share.bytes > 0).then(|| self.begun.elapsed().mul_f64(rest as f64 / share.bytes as f64))
    }
}

impl Told<'_> {
    /// Remembers the worst of what was found: of equally bad ones the first.
    fn weigh(&self, unit: &Unit, result: &RunResult) {
        let Ok(mut worst) = self.worst.lock() else { return };
        let rank = result.standing.rank();
        if worst.as_ref().is_none_or(|(before, _)| rank < *before) {
            let number = result.number.as_ref().map(|number| format!(", {number}")).unwrap_or_default();
            *worst = Some((rank, format!("{} {}{number}", self.name(unit), result.standing.words())));
        }
    }

    /// Whoever is quiet learns of a failure too: there is no result.
    fn fail(&self, unit: &Unit, error: &Error) {
        say::tell(&format!("{}: {error}", self.name(unit)));
        say::hint(&error.hint);
        if let Ok(mut failed) = self.failed.lock() {
            *failed += 1;
        }
    }
}

impl Watcher<Option<RunResult>> for Told<'_> {
    fn begins(&self, _: &Task<'_>) {}

    fn ended(&self, task: &Task<'_>, outcome: Result<&Option<RunResult>, &Error>, share: Share) {
        match outcome {
            Ok(Some(result)) => self.weigh(task.unit, result),
            Ok(None) => {}
            Err(error) => self.fail(task.unit, error),
        }
        let Ok(mut last) = self.last.lock() else { return };
        let is_last = share.tasks == share.tasks_all;
        if self.quiet || !is_last && last.is_some_and(|last| last.elapsed() < LINE_EVERY) {
            return;
        }
        *last = Some(Instant::now());
        let percent = (share.bytes * 100).checked_div(share.bytes_all).unwrap_or(100);
        let left = self.left(share).filter(|_| !is_last).map(|left| format!(", {} left", time(left)));
        let failed = self.failed.lock().map_or(0, |failed| *failed);
        let failed = if failed > 0 { format!(", {failed} failed") } else { String::new() };
        let worst = self.worst.lock().ok().and_then(|worst| worst.clone());
        let worst = worst.map(|(_, worst)| format!("; worst so far: {worst}")).unwrap_or_default();
        say::tell(&format!(
            "{} of {}, {percent} %{}{failed}{worst}",
            share.tasks,
            units(share.tasks_all),
            left.unwrap_or_default()
        ));
    }
}

fn units(count: usize) -> String {
    format!("{count} unit{}", if count == 1 { "" } else { "s" })
}

/// A time in words, rounded up.
fn time(left: Duration) -> String {
    let seconds = left.as_secs();
    match seconds {
        0..=89 => format!("about {} s", seconds + 1),
        90..=5399 => format!("about {} min", seconds.div_ceil(60)),
        _ => format!("about {} h", seconds.div_ceil(3600)),
    }
}
