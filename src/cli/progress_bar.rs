//! Progress on standard error: a bar on a terminal, plain lines otherwise, nothing when quiet.

use std::io::{self, IsTerminal};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::Mutex;
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::{bounded, RecvTimeoutError};

use evenbeat::pipeline::Progress;
use evenbeat::words::{counted, grouped};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::say;

/// How long nothing is said of a capture that sends nothing: decoders begin within a second or two.
const FIRST_FRAME_PATIENCE: Duration = Duration::from_secs(5);

/// A plain line at most this often: enough to see it lives, few enough for a log.
const LINE_EVERY: Duration = Duration::from_secs(10);

/// Shows how many frames are done.
pub struct Display {
    /// What is done to them: `read`, `painted`.
    done: &'static str,
    place: Place,
    has_begun: AtomicBool,
}

/// Where progress is shown.
enum Place {
    /// On a terminal.
    Bar(ProgressBar),
    /// Into a file or pipe: when it began, and the time of the last line.
    Lines(Instant, Mutex<Instant>),
    /// Not at all.
    Nowhere,
}

impl Display {
    /// The display that fits standard error, for frames that are `done`: read or painted.
    pub fn new(quiet: bool, done: &'static str) -> Self {
        let place = if quiet { Place::Nowhere } else { Place::on_standard_error(done) };
        Self { done, place, has_begun: AtomicBool::new(false) }
    }

    /// Does `work`; where no frame has come for a while, says once what is waited for.
    pub fn attend<T>(&self, what: &str, work: impl FnOnce() -> T) -> T {
        let (working, is_done) = bounded::<()>(0);
        thread::scope(|scope| {
            scope.spawn(|| {
                let waited = is_done.recv_timeout(FIRST_FRAME_PATIENCE) == Err(RecvTimeoutError::Timeout);
                if waited && !self.has_begun.load(Ordering::Relaxed) && !matches!(self.place, Place::Nowhere)
                {
                    say::tell(&format!("{what}: no frame has come yet; waiting, Ctrl-C ends it"));
                }
            });
            let outcome = work();
            drop(working);
            outcome
        })
    }

    /// Ends the display and clears the bar.
    pub fn finish(&self) {
        if let Place::Bar(bar) = &self.place {
            bar.finish_and_clear();
        }
    }
}

impl Place {
    fn on_standard_error(done: &str) -> Self {
        if !io::stderr().is_terminal() {
            let now = Instant::now();
            return Self::Lines(now, Mutex::new(now));
        }
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
        let template = format!("{{spinner}} {{pos}} frames {done}, {{per_sec}}, {{elapsed}}");
        if let Ok(style) = ProgressStyle::with_template(&template) {
            bar.set_style(style);
        }
        Self::Bar(bar)
    }
}

/// `1200 of 6000 frames read, 20 %, 40 s left`; without an end that is known `1200 frames read`.
fn line(done: u64, promised: Option<u64>, what: &str, took: Duration) -> String {
    match promised.filter(|&total| total >= done && done > 0) {
        None => format!("{} {what}", counted(done, "frame")),
        Some(total) => {
            let share = done as f64 / total as f64;
            let left_s = (took.as_secs_f64() * (1.0 - share) / share).ceil();
            let frames = counted(total, "frame");
            format!(
                "{} of {frames} {what}, {:.0} %, {left_s:.0} s left",
                grouped(done),
                (100.0 * share).floor()
            )
        }
    }
}

impl Progress for Display {
    fn frames_done(&self, done: u64, promised: Option<u64>) {
        self.has_begun.store(true, Ordering::Relaxed);
        match &self.place {
            Place::Bar(bar) => {
                if bar.length() != promised && promised.is_some_and(|total| total > 0) {
                    bar.set_length(promised.unwrap_or_default());
                    let template = format!(
                        "{{wide_bar}} {{percent}} % of {{len}} frames {}, {{eta}} left, {{per_sec}}",
                        self.done
                    );
                    if let Ok(style) = ProgressStyle::with_template(&template) {
                        bar.set_style(style);
                    }
                }
                bar.set_position(done);
            }
            Place::Lines(began, last) => {
                let Ok(mut last) = last.lock() else { return };
                if last.elapsed() >= LINE_EVERY {
                    *last = Instant::now();
                    say::tell(&line(done, promised, self.done, began.elapsed()));
                }
            }
            Place::Nowhere => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_says_share_and_remaining_time() {
        for (done, promised, took_s, expected) in [
            (1, None, 1, "1 frame read"),
            (1200, Some(6000), 10, "1\u{202f}200 of 6\u{202f}000 frames read, 20 %, 40 s left"),
            (5, Some(5), 3, "5 of 5 frames read, 100 %, 0 s left"),
            (7, Some(5), 3, "7 frames read"),
        ] {
            assert_eq!(line(done, promised, "read", Duration::from_secs(took_s)), expected);
        }
    }
}
