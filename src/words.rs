//! Numbers in sentences: counts with their noun, ranges of frames, lengths. Alike in every output.

use crate::units::decimal;

/// A whole number in groups of three, parted by a narrow no-break space as ISO 80000-1 section 7.3.1 has it: a
/// comma or a point would be a decimal sign in one language or another.
pub fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::with_capacity(digits.len() * 4 / 3);
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place) % 3 == 0 {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    text
}

/// A count with its noun: `1 picture`, `3 pictures`, `no pictures` is written `0 pictures`.
pub fn counted(count: u64, noun: &str) -> String {
    format!("{} {}", grouped(count), plural(count, noun))
}

/// The noun alone, as the count asks: `picture`, `pictures`.
pub fn plural(count: u64, noun: &str) -> String {
    match (count, noun) {
        (1, _) => noun.to_owned(),
        (_, "loss") => "losses".to_owned(),
        (_, noun) => format!("{noun}s"),
    }
}

/// The verb as the count asks: `is` after one, `are` after more; any regular verb gets its `s` after one.
pub fn verb(count: u64, many: &str) -> String {
    match (count, many) {
        (1, "are") => "is".to_owned(),
        (1, "were") => "was".to_owned(),
        (1, "have") => "has".to_owned(),
        (1, "do") => "does".to_owned(),
        (1, many) if many.ends_with('x') => format!("{many}es"),
        (1, many) => format!("{many}s"),
        (_, many) => many.to_owned(),
    }
}

/// `once`, `twice`, `3 times`.
pub fn times(count: u64) -> String {
    match count {
        1 => "once".to_owned(),
        2 => "twice".to_owned(),
        count => format!("{} times", grouped(count)),
    }
}

/// Frames from the first to the last, inclusive: `frame 72`, `frames 72–90`.
pub fn frames(first: u64, last: u64) -> String {
    if first == last {
        return format!("frame {}", grouped(first));
    }
    format!("frames {}–{}", grouped(first), grouped(last))
}

/// A length in milliseconds as a person says it: `0.4 ms`, `16.7 ms`, `200 ms`, `1.2 s`, `83 s`.
pub fn length(ms: f64) -> String {
    match ms {
        ms if ms < 99.95 => {
            let text = decimal(ms, 1);
            format!("{} ms", text.strip_suffix(".0").unwrap_or(&text))
        }
        ms if ms < 999.5 => format!("{} ms", decimal(ms, 0)),
        ms if ms < 9_950.0 => {
            let text = decimal(ms / 1000.0, 1);
            format!("{} s", text.strip_suffix(".0").unwrap_or(&text))
        }
        ms => format!("{} s", grouped((ms / 1000.0).round().max(0.0) as u64)),
    }
}

/// A share, 0 to 1, as a percentage for a sentence: what is there is never 0 %, what lacks something never 100 %.
pub fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    match percent {
        0.0 => "0 %".to_owned(),
        percent if percent < 0.1 => "less than 0.1 %".to_owned(),
        percent if percent < 9.95 => {
            let text = decimal(percent, 1);
            format!("{} %", text.strip_suffix(".0").unwrap_or(&text))
        }
        percent if percent < 100.0 && percent > 99.5 => "nearly 100 %".to_owned(),
        percent => format!("{} %", decimal(percent, 0)),
    }
}

/// Text with a large first letter and a full stop, as a sentence has them.
pub fn sentence(text: &str) -> String {
    let mut letters = text.trim().trim_end_matches('.').chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).chain(['.']).collect())
}

/// A text with a small first letter.
pub fn lower_first(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_lowercase().chain(letters).collect())
}

/// `a`, `a and b`, `a, b and c`.
pub fn listed(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

#[cfg(test)]
#[path = "../tests/sentence_check/mod.rs"]
pub(crate) mod sentence_check;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_agree_with_their_nouns_and_verbs() {
        for (count, counted_text, verb_text, times_text) in [
            (0, "0 frames", "are", "0 times"),
            (1, "1 frame", "is", "once"),
            (2, "2 frames", "are", "twice"),
            (12_345, "12\u{202f}345 frames", "are", "12\u{202f}345 times"),
        ] {
            assert_eq!(counted(count, "frame"), counted_text);
            assert_eq!(verb(count, "are"), verb_text);
            assert_eq!(times(count), times_text);
        }
        assert_eq!(
            (verb(1, "mix"), verb(2, "mix"), verb(1, "show")),
            ("mixes".into(), "mix".into(), "shows".into())
        );
        assert_eq!((plural(1, "loss"), plural(2, "loss")), ("loss".into(), "losses".into()));
    }

    #[test]
    fn large_numbers_are_grouped() {
        for (number, text) in
            [(0, "0"), (999, "999"), (1000, "1\u{202f}000"), (2_160_000, "2\u{202f}160\u{202f}000")]
        {
            assert_eq!(grouped(number), text);
        }
    }

    #[test]
    fn ranges_of_one_are_no_ranges() {
        assert_eq!(frames(72, 72), "frame 72");
        assert_eq!(frames(72, 90), "frames 72–90");
    }

    #[test]
    fn lengths_and_shares_have_sensible_digits() {
        for (ms, text) in [
            (0.0, "0 ms"),
            (16.683, "16.7 ms"),
            (99.99, "100 ms"),
            (200.2, "200 ms"),
            (999.7, "1 s"),
            (1201.0, "1.2 s"),
            (10_010.0, "10 s"),
            (-0.01, "0 ms"),
        ] {
            assert_eq!(length(ms), text);
        }
        for (share, text) in [
            (0.0, "0 %"),
            (0.0004, "less than 0.1 %"),
            (0.014, "1.4 %"),
            (0.5, "50 %"),
            (0.9999, "nearly 100 %"),
            (1.0, "100 %"),
        ] {
            assert_eq!(percent(share), text);
        }
    }

    #[test]
    fn texts_become_sentences_and_lists() {
        for (text, expected) in
            [("", ""), ("one picture", "One picture."), ("Whole already.", "Whole already.")]
        {
            assert_eq!(sentence(text), expected);
        }
        let parts = |count: usize| listed(&["a", "b", "c"].map(str::to_owned)[..count]);
        assert_eq!([parts(0), parts(1), parts(2), parts(3)], ["", "a", "a and b", "a, b and c"]);
    }
}
