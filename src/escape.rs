//! Strings from outside, made harmless and visible for each output.

use std::fmt::Write;

/// Replaces every character that cannot be seen or that rearranges the text around it (control, bidirectional,
/// zero-width and line-separating characters, and those XML 1.0 forbids) by its escape: `\n`, `\t`, `\r` or
/// `\u{202E}`. A forged name then shows what it is in every output.
pub fn visible(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '\n' => shown.push_str("\\n"),
            '\t' => shown.push_str("\\t"),
            '\r' => shown.push_str("\\r"),
            hidden if is_hidden(hidden) => {
                let _ = write!(shown, "\\u{{{:X}}}", u32::from(hidden));
            }
            other => shown.push(other),
        }
    }
    shown
}

/// Whether a character has no shape of its own or changes the order of others.
/// Source: Unicode 15 categories Cc, Cf (those met in names), Zl, Zp; noncharacters.
fn is_hidden(character: char) -> bool {
    character.is_control()
        || matches!(u32::from(character),
            0x00AD | 0x061C | 0x180E | 0x200B..=0x200F | 0x2028..=0x202E | 0x2060..=0x206F | 0xFEFF
            | 0xFFF9..=0xFFFB | 0xFDD0..=0xFDEF | 0xE0000..=0xE007F)
        || u32::from(character) & 0xFFFE == 0xFFFE
}

/// For text and quoted attributes of HTML and XML.
pub fn markup(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for character in visible(text).chars() {
        match character {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            other => escaped.push(other),
        }
    }
    escaped
}

/// For running text and table cells of CommonMark: every character that could start markup, HTML, an entity
/// or a table cell gets a backslash, which CommonMark 0.31 section 2.4 allows before ASCII punctuation.
pub fn markdown(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for character in visible(text).chars() {
        if matches!(character, '\\' | '`' | '*' | '_' | '[' | ']' | '<' | '>' | '|' | '~' | '&' | '#' | '$') {
            escaped.push('\\');
        }
        escaped.push(character);
    }
    escaped
}

/// For JSON inside a `script` element of HTML that is well-formed XML too: no character is left that could end
/// the element, start an entity or hide. JSON allows every character as an escape (RFC 8259 section 7); line
/// ends stand between its parts only.
pub fn script_data(json: &str) -> String {
    let mut escaped = String::with_capacity(json.len());
    for character in json.chars() {
        if character != '\n' && (matches!(character, '<' | '>' | '&') || is_hidden(character)) {
            for unit in character.encode_utf16(&mut [0; 2]) {
                let _ = write!(escaped, "\\u{unit:04x}");
            }
        } else {
            escaped.push(character);
        }
    }
    escaped
}

/// A fence of backticks longer than any run of them in `text`, at least three.
pub fn fence(text: &str) -> String {
    let longest = text.split(|c| c != '`').map(str::len).max().unwrap_or(0);
    "`".repeat(longest.max(2) + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hidden_characters_are_shown() {
        for (text, expected) in [
            ("plain ü 漢 🎞", "plain ü 漢 🎞"),
            ("a\nb\tc\rd", "a\\nb\\tc\\rd"),
            ("\0\u{1b}[31m\u{7f}\u{9b}", "\\u{0}\\u{1B}[31m\\u{7F}\\u{9B}"),
            ("gpj.\u{202e}exe", "gpj.\\u{202E}exe"),
            ("\u{2066}x\u{2069}\u{200f}\u{61c}", "\\u{2066}x\\u{2069}\\u{200F}\\u{61C}"),
            ("a\u{200b}b\u{feff}c\u{2028}d\u{2029}", "a\\u{200B}b\\u{FEFF}c\\u{2028}d\\u{2029}"),
            ("\u{fffe}\u{ffff}\u{1ffff}", "\\u{FFFE}\\u{FFFF}\\u{1FFFF}"),
        ] {
            assert_eq!(visible(text), expected);
        }
    }

    #[test]
    fn markup_is_inert() {
        for (text, expected) in [
            ("<script>alert('x')</script>", "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;"),
            ("\" onload=\"x", "&quot; onload=&quot;x"),
            ("a & b &amp;", "a &amp; b &amp;amp;"),
            ("]]>\n", "]]&gt;\\n"),
        ] {
            assert_eq!(markup(text), expected);
        }
    }

    #[test]
    fn markdown_is_inert() {
        for (text, expected) in [
            ("a|b", "a\\|b"),
            ("`code`", "\\`code\\`"),
            ("<b>&lt;", "\\<b\\>\\&lt;"),
            ("[x](y) *z* _w_ ~~v~~", "\\[x\\](y) \\*z\\* \\_w\\_ \\~\\~v\\~\\~"),
            ("C:\\clip", "C:\\\\clip"),
            ("two\nlines", "two\\\\nlines"),
        ] {
            assert_eq!(markdown(text), expected);
        }
    }

    #[test]
    fn script_data_stays_json_and_ends_nothing() {
        let json = "{\n\"name\":\"</script><!-- & \u{2028}\u{202e}\u{e0041}\"}";
        let escaped = script_data(json);
        assert!(!escaped.contains(['<', '>', '&', '\u{2028}', '\u{202e}', '\u{e0041}']), "{escaped}");
        let parsed: serde_json::Value = serde_json::from_str(&escaped).unwrap();
        assert_eq!(parsed, serde_json::from_str::<serde_json::Value>(json).unwrap());
    }

    #[test]
    fn fences_outlast_their_content() {
        for (text, expected) in [("", "```"), ("a`b", "```"), ("```", "````"), ("`````x", "``````")] {
            assert_eq!(fence(text), expected);
        }
    }
}
