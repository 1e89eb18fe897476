//! Repeating patterns: finding the shortest period, canonical rotation, labels and rate pairs.

use std::collections::BTreeMap;
use std::ops::Range;

use super::{Hold, Pattern};
use crate::units::{gcd, Rate, STANDARD_RATES};

/// Longest period looked for everywhere, in holds. Holds every pattern the trade names (the longest, 24 in
/// 25, has 24); a longer period is told as a slip of a short one, or found by [`long_period`].
const SHORT_PERIOD_HOLDS_MAX: usize = 64;
/// Longest period that may be any word: patterns of the trade that are no rate pair's word have 4 holds
/// (2:3:3:2, 2:2:2:4); twice that leaves room.
const ANY_PERIOD_HOLDS_MAX: usize = 8;
/// Longest period recognised at all, in holds: 1001 pictures, the longest of the standard rate pairs, fit.
pub const PERIOD_HOLDS_MAX: usize = 1024;
/// Longest period that [`Pattern::label`] writes out hold by hold; longer ones read `233 in 610`.
pub const LABELLED_HOLDS_MAX: usize = SHORT_PERIOD_HOLDS_MAX;
/// Periods that must be seen in a row before a pattern is believed: two can be chance.
const EVIDENCE_PERIODS: usize = 3;
/// Holds that must be seen in a row before a pattern is believed, however short its period.
const EVIDENCE_HOLDS_MIN: usize = 4;
/// Holds looked at in one go when looking for short periods: enough evidence for the longest.
const WINDOW_HOLDS: usize = EVIDENCE_PERIODS * SHORT_PERIOD_HOLDS_MAX;
/// Where a window shows no period, the next one starts this many holds later.
const WINDOW_STEP_HOLDS: usize = 8;
/// Distinct patterns kept while searching, and candidates handed on: a bound on work, far above need.
const PATTERNS_KEPT_MAX: usize = 1024;
const CANDIDATES_MAX: usize = 8;
/// Holds in the periods of all candidates together: a bound on work.
const CANDIDATE_HOLDS_MAX: usize = 2 * SHORT_PERIOD_HOLDS_MAX;
/// Longest stretch searched for a long period, in holds.
const LONG_SEARCH_HOLDS_MAX: usize = 16 * PERIOD_HOLDS_MAX;

/// Patterns written hold by hold and in this rotation by the trade
/// (Poynton, *Digital Video and HDTV*, 2003, for 2-3; 2:3:3:2 and 2:2:2:4 are common practice).
const TRADE_PATTERNS: [&[u32]; 2] = [&[2, 3, 3, 2], &[2, 2, 2, 4]];

/// Runs of at least this many equal holds are written `hold×count`.
const COUNTED_RUN_MIN: usize = 3;

impl Pattern {
    /// The pattern whose repeated period contains these holds: shortest period, canonical rotation.
    ///
    /// Rotations the trade writes come first (2:3:3:2). Otherwise the longest run of equal holds leads, so
    /// that a single odd hold stands last (`1×23:2`), and among those the smallest in dictionary order.
    pub fn canonical(holds: &[u32]) -> Self {
        let period = primitive_period(holds);
        let word = &holds[..period];
        let rotations = (0..period).map(|start| rotated(word, start));
        for rotation in rotations.clone() {
            if TRADE_PATTERNS.contains(&rotation.as_slice()) {
                return Self { holds: rotation };
            }
        }
        let holds = rotations
            .min_by(|a, b| leading_run(b).cmp(&leading_run(a)).then_with(|| a.cmp(b)))
            .unwrap_or_default();
        Self { holds }
    }

    /// Delivered frames in one period.
    pub fn frames(&self) -> u64 {
        self.holds.iter().map(|&hold| u64::from(hold)).sum()
    }

    /// Pictures and delivered frames in lowest terms: `(2, 5)` for 2:3, also for 2:2:2:4.
    pub fn pace(&self) -> (u64, u64) {
        let (pictures, frames) = (self.holds.len() as u64, self.frames());
        let divisor = gcd(pictures, frames).max(1);
        (pictures / divisor, frames / divisor)
    }

    /// How often the unevenness repeats, times per second: delivered rate over the frames of one period.
    /// `None` where all pictures stay equally long. Eyes are most sensitive between 4 and 6 per second
    /// (Poynton, *Digital Video and HDTV*, 2003, chapter on 2-3 pulldown).
    pub fn beat_hz(&self, delivered: Rate) -> Option<f64> {
        (self.holds.len() > 1).then(|| delivered.hz() / self.frames() as f64)
    }

    /// The pattern as the trade writes it: `1:1`, `2:3`, `2:3:3:2`, `1×23:2` (hold 1 twenty-three times, then
    /// 2). Periods longer than [`LABELLED_HOLDS_MAX`] read `233 in 610`: pictures in frames.
    pub fn label(&self) -> String {
        if let [hold] = self.holds[..] {
            return format!("{hold}:{hold}");
        }
        if self.holds.len() > LABELLED_HOLDS_MAX {
            return format!("{} in {}", self.holds.len(), self.frames());
        }
        let in_full = TRADE_PATTERNS.contains(&self.holds.as_slice());
        let parts: Vec<String> = self
            .holds
            .chunk_by(|a, b| a == b)
            .flat_map(|run| match run.len() {
                count if count >= COUNTED_RUN_MIN && !in_full => vec![format!("{}×{count}", run[0])],
                count => vec![run[0].to_string(); count],
            })
            .collect();
        parts.join(":")
    }

    /// Name of the rate pair on a signal of this rate, e.g. `24 on 60`, where both rates are standard.
    pub fn rate_pair(&self, delivered: Rate) -> Option<String> {
        let (pictures, frames) = self.pace();
        let motion = Rate::new(delivered.num().checked_mul(pictures)?, delivered.den().checked_mul(frames)?)?;
        pair_name(motion, delivered)
    }
}

/// `23.976 on 60`, where both rates are standard.
pub(super) fn pair_name(motion: Rate, delivered: Rate) -> Option<String> {
    let name = |wanted: Rate| STANDARD_RATES.iter().find(|(rate, _)| *rate == wanted).map(|(_, name)| *name);
    Some(format!("{} on {}", name(motion)?, name(delivered)?))
}

fn rotated(word: &[u32], start: usize) -> Vec<u32> {
    [&word[start..], &word[..start]].concat()
}

fn leading_run(word: &[u32]) -> usize {
    word.iter().take_while(|&hold| *hold == word[0]).count()
}

/// Length of the shortest word whose whole repetitions make up `word`.
fn primitive_period(word: &[u32]) -> usize {
    let borders = border_lengths(word);
    let period = word.len() - borders.last().copied().unwrap_or(0);
    if period > 0 && word.len() % period == 0 {
        period
    } else {
        word.len()
    }
}

/// For every prefix, the length of its longest border (a proper prefix that is also its suffix). A prefix of
/// length n with border b has the shortest period n − b (Knuth, Morris and Pratt, 1977).
fn border_lengths(word: &[u32]) -> Vec<usize> {
    let mut borders = vec![0; word.len()];
    let mut border = 0;
    for index in 1..word.len() {
        while border > 0 && word[index] != word[border] {
            border = borders[border - 1];
        }
        border += usize::from(word[index] == word[border]);
        borders[index] = border;
    }
    borders
}

/// Holds in a row that make a pattern of this period believable.
pub(super) fn evidence_holds(period: usize) -> usize {
    (EVIDENCE_PERIODS * period).max(EVIDENCE_HOLDS_MIN)
}

/// Whether a device could mean this period. Short ones may be anything; a longer one must be the word of a rate
/// pair: otherwise it is a shorter pattern that breaks at even intervals, and the breaks are what matters.
fn believable(period: &[u32]) -> bool {
    period.len() <= ANY_PERIOD_HOLDS_MAX || is_mechanical(period)
}

/// Whether the holds, repeated, are those of `period.len()` pictures shown evenly on the frames they take: picture
/// k first appears in slot ⌈kq/p⌉. Such words are the balanced ones (Lothaire, *Algebraic Combinatorics on
/// Words*, chapter 2); rotations are equal.
fn is_mechanical(period: &[u32]) -> bool {
    let pictures = period.len() as u64;
    let frames: u64 = period.iter().map(|&hold| u64::from(hold)).sum();
    let onset = |picture: u64| (picture * frames).div_ceil(pictures);
    let even: Vec<u32> = (0..pictures).map(|picture| (onset(picture + 1) - onset(picture)) as u32).collect();
    let twice = [&even[..], &even[..]].concat();
    // Knuth, Morris and Pratt's search by borders, as elsewhere here: the period within its even word, twice.
    let searched = [period, &[0], &twice[..]].concat();
    border_lengths(&searched).contains(&period.len())
}

/// The longest prefix that repeats a short period often enough: `(length, period)`.
fn longest_repetition(window: &[u32]) -> Option<(usize, usize)> {
    border_lengths(window).iter().enumerate().rev().map(|(last, border)| (last + 1, last + 1 - border)).find(
        |&(length, period)| {
            period <= SHORT_PERIOD_HOLDS_MAX
                && length >= evidence_holds(period)
                && believable(&window[..period])
        },
    )
}

/// Patterns of short period seen without a break for long enough, those seen most first.
pub(super) fn short_period_candidates(holds: &[Hold], runs: &[Range<usize>]) -> Vec<Pattern> {
    let mut seen: BTreeMap<Vec<u32>, usize> = BTreeMap::new();
    let mut window = Vec::with_capacity(WINDOW_HOLDS);
    for run in runs {
        let mut start = run.start;
        while start + EVIDENCE_HOLDS_MIN <= run.end {
            window.clear();
            let end = run.end.min(start + WINDOW_HOLDS);
            window.extend(holds[start..end].iter().map(|hold| hold.frames));
            let Some((length, period)) = longest_repetition(&window) else {
                start += WINDOW_STEP_HOLDS;
                continue;
            };
            let pattern = Pattern::canonical(&window[..period]);
            if seen.len() < PATTERNS_KEPT_MAX || seen.contains_key(&pattern.holds) {
                *seen.entry(pattern.holds).or_default() += length;
            }
            start += length;
        }
    }
    let mut patterns: Vec<(Vec<u32>, usize)> = seen.into_iter().collect();
    patterns.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    let mut kept = 0;
    let mut fits = |holds: &[u32]| {
        kept += holds.len();
        kept <= CANDIDATE_HOLDS_MAX
    };
    let words = patterns.into_iter().map(|(holds, _)| holds);
    words.take_while(|holds| fits(holds)).take(CANDIDATES_MAX).map(|holds| Pattern { holds }).collect()
}

/// The long period that the longest run repeats from end to end without a break, if it does.
pub(super) fn long_period(holds: &[Hold], runs: &[Range<usize>]) -> Option<Pattern> {
    let run = runs.iter().max_by_key(|run| run.len())?;
    let end = run.end.min(run.start + LONG_SEARCH_HOLDS_MAX);
    let lengths: Vec<u32> = holds[run.start..end].iter().map(|hold| hold.frames).collect();
    let period = lengths.len() - border_lengths(&lengths).last()?;
    let long = SHORT_PERIOD_HOLDS_MAX < period && period <= PERIOD_HOLDS_MAX;
    let seen = long && lengths.len() >= evidence_holds(period) && believable(&lengths[..period]);
    seen.then(|| Pattern::canonical(&lengths[..period]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_are_written_as_the_trade_does() {
        for (holds, label) in [
            (&[1][..], "1:1"),
            (&[2, 2], "2:2"),
            (&[4, 4, 4], "4:4"),
            (&[3, 2], "2:3"),
            (&[3, 2, 3, 2], "2:3"),
            (&[3, 3, 2, 2], "2:3:3:2"),
            (&[2, 4, 2, 2], "2:2:2:4"),
            (&[1, 2, 1, 1], "1×3:2"),
            (&[2, 1, 1, 1, 1], "1×4:2"),
            (&[3, 2, 3, 3], "3×3:2"),
            (&[3, 2, 3, 2, 2], "2:2:3:2:3"),
            (&[2, 1, 2], "2:2:1"),
        ] {
            assert_eq!(Pattern::canonical(holds).label(), label, "{holds:?}");
        }
        let mut film_in_25 = vec![1; 24];
        film_in_25[7] = 2;
        assert_eq!(Pattern::canonical(&film_in_25).label(), "1×23:2");
        let long: Vec<u32> = (0..100).map(|k| 2 + u32::from(k % 7 == 0)).collect();
        assert_eq!(Pattern::canonical(&long).label(), "100 in 215");
    }

    #[test]
    fn words_of_rate_pairs_are_told_from_broken_patterns() {
        let film: Vec<u32> = [2, 3].repeat(11);
        for (period, mechanical) in [
            (vec![1], true),
            (vec![3, 2, 3, 2, 2], true),
            (vec![3, 3, 2, 2], false),
            ([vec![1; 23], vec![2]].concat(), true),
            ([vec![2], vec![1; 23]].concat(), true),
            ([&film[..], &[2, 4]].concat(), false),
            ([&film[..], &[1]].concat(), false),
            ([&film[..], &[2]].concat(), true),
        ] {
            assert_eq!(is_mechanical(&period), mechanical, "{period:?}");
        }
    }

    #[test]
    fn every_rotation_has_one_canonical_form() {
        for word in [&[2, 3, 3, 2][..], &[1, 1, 2, 1, 3], &[2, 2, 3, 2, 3], &[5, 4, 5, 4, 4, 1]] {
            let first = Pattern::canonical(word);
            for start in 0..word.len() {
                assert_eq!(Pattern::canonical(&rotated(word, start)), first);
            }
        }
    }

    #[test]
    fn beats_match_the_published_figures() {
        // Source rate over p (Poynton 2003): 24 on 60 beats 12 times per second, and so on.
        let word = |p: u32, q: u32| -> Vec<u32> {
            (0..p).map(|k| ((k + 1) * q).div_ceil(p) - (k * q).div_ceil(p)).collect()
        };
        for (p, q, delivered, beats) in [
            (2, 5, "60", Some(12.0)),
            (24, 25, "25", Some(1.0)),
            (12, 25, "50", Some(2.0)),
            (8, 25, "75", Some(3.0)),
            (1, 2, "60", None),
        ] {
            assert_eq!(Pattern::canonical(&word(p, q)).beat_hz(Rate::parse(delivered).unwrap()), beats);
        }
    }

    #[test]
    fn pairs_are_named_only_where_both_rates_are_standard() {
        let rate = |text| Rate::parse(text).unwrap();
        let name = |holds: &[u32], delivered| Pattern::canonical(holds).rate_pair(rate(delivered));
        assert_eq!(name(&[2, 3], "59.94").as_deref(), Some("23.976 on 59.94"));
        assert_eq!(name(&[2, 3], "60").as_deref(), Some("24 on 60"));
        assert_eq!(name(&[2], "59.94").as_deref(), Some("29.97 on 59.94"));
        assert_eq!(name(&[7], "59.94"), None);
    }
}
