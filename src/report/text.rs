//! Values as text, alike in every output.

use crate::audit::Audit;
pub(super) use crate::audit_store::values::{hex, ticks_from_start, time_s};
use crate::classify::FrameFlags;
use crate::escape::visible;
use crate::frame::Scan;
use crate::interlace::FieldAudit;
use crate::settings::DeviceFacts;

use crate::units::{decimal, hz_text, Rate};
use crate::verdict::{rank, Event};
pub(super) use crate::words::grouped;

/// The decided scan, what it rests on, and the flags where they say something else.
pub(super) fn scan_text(audit: &Audit) -> String {
    let decision = &audit.fields.scan;
    let flagged = audit.facts.scan;
    let against = if flagged == decision.scan || flagged == Scan::Unknown {
        String::new()
    } else {
        format!(", flagged {}", flagged.name())
    };
    format!("{} (by {}{against})", decision.scan.name(), decision.source.name())
}

/// Rate and pattern of the fields of an interlaced capture.
pub(super) fn fields_text(fields: &FieldAudit) -> String {
    let motion = fields.cadence.motion;
    let pattern = fields.cadence.pattern.as_ref().map_or_else(
        || "no pattern holds".to_owned(),
        |pattern| {
            format!("{} over {} of judged fields", pattern.label(), percent_text(fields.cadence.coverage))
        },
    );
    format!(
        "{} fields/s, {} moments/s, {pattern}, {} field first",
        hz_text(motion.delivered_rate_hz),
        motion.motion_rate_hz.map_or_else(|| "unknown".to_owned(), hz_text),
        fields.first.name()
    )
}

/// What was recorded, and with what, in one line; nothing where nothing was told.
pub(super) fn who(device: &DeviceFacts) -> Option<String> {
    let told = device.told();
    let parts: Vec<String> = told
        .iter()
        .map(|(name, text)| match *name {
            "Device" => visible(text),
            name => format!("{} {}", name.to_lowercase(), visible(text)),
        })
        .collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

/// The worst events, at most so many, in the order of time.
pub(super) fn worst_in_order(audit: &Audit, most: usize) -> Vec<&Event> {
    let mut events: Vec<&Event> = audit.events.iter().collect();
    events.sort_by(|one, other| rank(other, one));
    events.truncate(most);
    events.sort_by_key(|event| event.number);
    events
}

/// Length of the capture in seconds: from the first to the last frame, and one frame period for the last.
pub(super) fn duration_s(audit: &Audit) -> f64 {
    audit.times.duration_s()
}

/// One frame period at the delivered rate, seconds.
pub(super) fn period_s(audit: &Audit) -> f64 {
    audit.times.delivered_rate.period_ms() / 1000.0
}

/// Flags in words, in their order; the page's script has the same list.
pub(super) const FLAG_WORDS: [(FrameFlags, &str); 7] = [
    (FrameFlags::BLEND, "mix of two pictures"),
    (FrameFlags::COMBED, "two moments woven together"),
    (FrameFlags::ONE_FIELD, "rebuilt from one field"),
    (FrameFlags::OUT_OF_ORDER, "out of order"),
    (FrameFlags::AFTER_DROP, "after dropped pictures"),
    (FrameFlags::AFTER_GAP, "after a gap in the recording"),
    (FrameFlags::CUT, "first frame of another shot"),
];

/// Milliseconds with two decimals and unit.
pub(super) fn ms_text(ms: f64) -> String {
    format!("{} ms", decimal(ms, 2))
}

/// Milliseconds that may be unknown.
pub(super) fn optional_ms_text(ms: Option<f64>) -> String {
    ms.map_or_else(|| "not judged".to_owned(), ms_text)
}

/// A motion rate with unit.
pub(super) fn motion_rate_text(hz: Option<f64>) -> String {
    hz.map_or_else(|| "not judged".to_owned(), |hz| format!("{} pictures/s", hz_text(hz)))
}

/// A rate as the trade writes it and, where that rounds, as exact ratio.
pub(super) fn exact_rate_text(rate: Rate) -> String {
    if rate.den() == 1 {
        return rate.to_string();
    }
    format!("{rate} ({}/{})", rate.num(), rate.den())
}

/// A moment or length for reading: `2.417 s`, `1:02.417` (min:s), `2:01:02.417` (h:min:s).
pub(super) fn clock_text(seconds: f64) -> String {
    let total_ms = (seconds.max(0.0) * 1000.0).round() as u64;
    let (ms, whole) = (total_ms % 1000, total_ms / 1000);
    let (s, minutes) = (whole % 60, whole / 60);
    match (minutes / 60, minutes % 60) {
        (0, 0) => format!("{s}.{ms:03} s"),
        (0, minutes) => format!("{minutes}:{s:02}.{ms:03} min"),
        (hours, minutes) => format!("{hours}:{minutes:02}:{s:02}.{ms:03} h"),
    }
}

/// A share as percentage with as many decimals as keep a rare exception visible: 1 of 2,160,000 frames is
/// not "100 %".
pub(super) fn percent_text(share: f64) -> String {
    let percent = share * 100.0;
    let rounds_up = percent < 100.0 && percent > 99.95;
    if rounds_up {
        return "just under 100 %".to_owned();
    }
    format!("{} %", decimal(percent, 1))
}

/// Breaks text into lines of at most `columns` characters at spaces; longer words are cut. A short unit stays
/// with its number.
pub(super) fn wrap(text: &str, columns: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut length = 0;
    for word in words_with_units(text) {
        let mut characters: Vec<char> = word.chars().collect();
        if length > 0 && length + 1 + characters.len() > columns {
            lines.push(std::mem::take(&mut line));
            length = 0;
        }
        while characters.len() > columns {
            let rest = characters.split_off(columns);
            lines.push(characters.iter().collect());
            characters = rest;
        }
        if length > 0 {
            line.push(' ');
            length += 1;
        }
        line.extend(&characters);
        length += characters.len();
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// Words of a text; `51.5 s` is one word.
fn words_with_units(text: &str) -> Vec<String> {
    /// Longest unit that is kept, with punctuation: `ms.`.
    const UNIT_BYTES_MAX: usize = 3;
    let mut words: Vec<String> = Vec::new();
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        let is_unit = word.len() <= UNIT_BYTES_MAX && word.starts_with(['s', 'm', 'h', 'H', '%']);
        match words.last_mut().filter(|before| is_unit && before.ends_with(|c: char| c.is_ascii_digit())) {
            Some(number) => {
                number.push(' ');
                number.push_str(word);
            }
            None => words.push(word.to_owned()),
        }
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_read_in_the_unit_that_fits() {
        for (seconds, text) in [
            (0.0, "0.000 s"),
            (2.4166, "2.417 s"),
            (59.9996, "1:00.000 min"),
            (62.0, "1:02.000 min"),
            (7262.5, "2:01:02.500 h"),
        ] {
            assert_eq!(clock_text(seconds), text);
        }
    }

    #[test]
    fn rare_exceptions_do_not_round_away() {
        assert_eq!(percent_text(1.0), "100.0 %");
        assert_eq!(percent_text(2_159_999.0 / 2_160_000.0), "just under 100 %");
        assert_eq!(percent_text(0.5), "50.0 %");
    }

    #[test]
    fn lines_never_exceed_their_width() {
        assert_eq!(wrap("one two three", 7), ["one two", "three"]);
        assert_eq!(wrap("abcdefghij kl", 4), ["abcd", "efgh", "ij", "kl"]);
        assert_eq!(wrap("lasts 51.5 s.", 11), ["lasts", "51.5 s."]);
        assert!(wrap("", 4).is_empty());
    }
}
