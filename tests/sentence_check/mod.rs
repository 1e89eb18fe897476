//! Whether a text reads as a person writes it: counts agree with their nouns and verbs, thousands are grouped, ranges are
//! ranges, zero has no sign, sentences are no chains. For tests within the library too.
#![allow(dead_code)] // Each test uses its own part.

/// What is counted in sentences.
const NOUNS: [&str; 18] = [
    "frame",
    "picture",
    "field",
    "stall",
    "place",
    "break",
    "timestamp",
    "mix",
    "loss",
    "event",
    "finding",
    "note",
    "device",
    "clip",
    "recording",
    "row",
    "sample",
    "moment",
];
/// Words between a count and its noun.
const BETWEEN: [&str; 19] = [
    "new",
    "more",
    "still",
    "lost",
    "missing",
    "whole",
    "combed",
    "mixed",
    "woven",
    "judged",
    "unsure",
    "black",
    "white",
    "first",
    "repeated",
    "different",
    "other",
    "identical",
    "neighbouring",
];
/// Verbs after more than one, as `are`; after one they have another form.
const MANY: [(&str, &str); 14] = [
    ("are", "is"),
    ("were", "was"),
    ("have", "has"),
    ("show", "shows"),
    ("appear", "appears"),
    ("repeat", "repeats"),
    ("stay", "stays"),
    ("lie", "lies"),
    ("stand", "stands"),
    ("run", "runs"),
    ("mix", "mixes"),
    ("hold", "holds"),
    ("look", "looks"),
    ("differ", "differs"),
];
/// Most digits of a count that are not grouped (ISO 80000-1 section 7.3.1 groups what has four and more).
const UNGROUPED_DIGITS: usize = 3;

/// What is wrong with a text; nothing where all is well.
pub fn slip_of_the_pen(text: &str) -> Option<String> {
    let words: Vec<&str> = text.split_ascii_whitespace().collect();
    let found = (0..words.len())
        .find_map(|at| disagreement(&words[at..], at.checked_sub(1).map(|before| words[before])));
    found
        .or_else(|| words.iter().find_map(|word| odd_number(word)))
        .or_else(|| sentences(text).find_map(chain))
        .or_else(|| phrase(&words.join(" ")))
        .or_else(|| text.trim().contains("  ").then(|| "two spaces".to_owned()))
}

fn bare(word: &str) -> &str {
    word.trim_matches(|c: char| !c.is_alphanumeric() && c != '−' && c != '-')
}

/// A whole number as it is written in sentences, with the digits that it has and whether they are grouped.
fn count(word: &str) -> Option<(u64, bool)> {
    let word = word.trim_start_matches(['(', '“', '*']);
    let digits = word.replace(['\u{202f}', '\u{a0}'], "");
    (!digits.is_empty() && digits.bytes().all(|digit| digit.is_ascii_digit())).then(|| {
        digits.parse().ok().map(|number| (number, digits.len() <= UNGROUPED_DIGITS || word != digits))
    })?
}

/// A count that disagrees with its noun or verb, or that is not grouped, at the first of these words.
fn disagreement(words: &[&str], before: Option<&str>) -> Option<String> {
    let (number, is_grouped) = count(words[0])?;
    let between = words[1..].iter().take_while(|word| BETWEEN.contains(word)).count();
    let place = 1 + between;
    let written = *words.get(place)?;
    let noun = bare(written);
    let is_many =
        |noun: &str| NOUNS.iter().any(|one| noun == format!("{one}s") || noun == format!("{one}es"));
    let (one, many) = (NOUNS.contains(&noun), is_many(noun));
    if !one && !many {
        return match noun {
            "times" if number == 1 || number == 2 => Some(format!("{number} times")),
            "of" => part_of(words, number),
            _ => None,
        };
    }
    // `frame 1 shows`, `event 2 repeat`: a name, no count.
    let names = ["frame", "frames", "picture", "event", "row", "and", "the", "clip"];
    if before.is_some_and(|before| names.contains(&before)) {
        return None;
    }
    if (number == 1 && many) || (number != 1 && one) {
        return Some(format!("{number} {noun}"));
    }
    if !is_grouped {
        return Some(format!("{number} is not grouped"));
    }
    // `3 of 5 frames show`: the verb goes with the 3.
    if before.is_some_and(|before| before == "of" || before == "after" || before == "in")
        || bare(written) != written
    {
        return None;
    }
    wrong_verb(number, words.get(place + 1)?)
}

/// `1 of 5 frames show` and its like.
fn part_of(words: &[&str], number: u64) -> Option<String> {
    let noun = words.iter().take(6).position(|word| NOUNS.iter().any(|one| *word == format!("{one}s")))?;
    let after = words[noun + 1..].iter().find(|word| !["never", "only"].contains(word))?;
    wrong_verb(number, after)
}

fn wrong_verb(number: u64, verb: &str) -> Option<String> {
    let wrong = |(many, one): &&(&str, &str)| if number == 1 { verb == *many } else { verb == *one };
    MANY.iter().find(wrong).map(|_| format!("{number} … {verb}"))
}

/// A range of one, or a zero with a sign.
fn odd_number(word: &str) -> Option<String> {
    let word = bare(word);
    if let Some((first, last)) = word.split_once('–') {
        let is_number = !first.is_empty() && first.chars().all(|c| c.is_ascii_digit() || c == '\u{202f}');
        if is_number && first == last {
            return Some(word.to_owned());
        }
    }
    let number = word.strip_prefix(['-', '−'])?;
    let digits = number.trim_end_matches('.');
    let is_zero = !digits.is_empty() && digits.chars().all(|c| c == '0' || c == '.');
    is_zero.then(|| word.to_owned())
}

/// The sentences of a text; lines, cells and bracketed parts stand for themselves.
fn sentences(text: &str) -> impl Iterator<Item = &str> {
    text.split(['\n', '|']).flat_map(|line| line.split(". "))
}

/// Two semicolons and more in a sentence are a list that is none.
fn chain(sentence: &str) -> Option<String> {
    (sentence.matches(';').count() > 1).then(|| format!("a chain: {sentence}"))
}

fn phrase(text: &str) -> Option<String> {
    const WRONG: [&str; 15] = [
        "..",
        " ,",
        " .",
        " ;",
        "NaN",
        " inf ",
        "(s)",
        "twice times",
        "once times",
        " 1 are ",
        " 1 were ",
        "about about",
        "()",
        ": .",
        "the the ",
    ];
    // A mark alone stands between two parts of a page.
    if !text.contains(char::is_alphanumeric) {
        return None;
    }
    WRONG.into_iter().find(|wrong| format!(" {text} ").contains(wrong)).map(str::to_owned)
}

/// The sentences of a page as a reader sees them: without script, style and marks, one line for each part.
pub fn visible_text(page: &str) -> String {
    const APART: [&str; 20] = [
        "p", "h1", "h2", "h3", "li", "td", "th", "tr", "table", "div", "section", "caption", "summary",
        "text", "title", "desc", "br", "b", "button", "span",
    ];
    let mut text = String::new();
    let mut rest = page;
    while let Some(start) = rest.find('<') {
        text.push_str(&rest[..start]);
        let tag = &rest[start + 1..];
        let name: String = tag.trim_start_matches('/').chars().take_while(|c| c.is_alphanumeric()).collect();
        if APART.contains(&name.as_str()) {
            text.push('\n');
        }
        let hidden = ["script", "style", "pre", "code"]
            .into_iter()
            .find(|hidden| *hidden == name && !tag.starts_with('/'));
        rest = match hidden.and_then(|name| tag.find(&format!("</{name}"))) {
            Some(end) => &tag[end..],
            None => tag,
        };
        rest = rest.find('>').map_or("", |end| &rest[end + 1..]);
    }
    text.push_str(rest);
    let mended = text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&#39;", "'");
    mended.replace("&amp;", "&")
}

/// CommonMark without what is quoted: code, addresses of pictures.
pub fn prose_of_markdown(text: &str) -> String {
    let mut is_code = false;
    let lines = text.lines().filter(|line| {
        let fence = line.starts_with("```");
        is_code ^= fence;
        !is_code && !fence && !line.starts_with("![") && !line.starts_with("|---")
    });
    let line = |line: &str| line.replace(['*', '\\'], "").split('`').step_by(2).collect::<Vec<_>>().join("…");
    lines.map(line).collect::<Vec<_>>().join("\n")
}

/// Every text in a document that a person reads: fields of these names.
pub fn texts_of_json(value: &serde_json::Value) -> Vec<String> {
    use serde_json::Value;
    match value {
        Value::Array(list) => list.iter().flat_map(texts_of_json).collect(),
        Value::Object(fields) => fields
            .iter()
            .flat_map(|(name, value)| match value {
                Value::String(text) if ["text", "headline", "number", "limit"].contains(&name.as_str()) => {
                    vec![text.clone()]
                }
                value => texts_of_json(value),
            })
            .collect(),
        _ => Vec::new(),
    }
}

/// Every line of a text that slips, and where it stands.
pub fn slips(place: &str, text: &str) -> Vec<String> {
    // Columns of a table on a terminal are set by spaces.
    text.lines()
        .map(|line| line.split_ascii_whitespace().collect::<Vec<_>>().join(" "))
        .filter_map(|line| slip_of_the_pen(&line).map(|slip| format!("{place}: {slip}: {line}")))
        .collect()
}
