//! The only way to the terminal for text: no character from outside moves the cursor, changes colours or hides what stands
//! beside it. What is data (a log, a clip, completions) goes its own way.

use std::env;
use std::fmt::Write as _;
use std::io::{self, IsTerminal, Write};

use evenbeat::escape::visible;
use evenbeat::report::terminal::{Line, Tone, COLUMNS};

/// Says one line on standard error, after the program's name. A closed stream changes nothing.
pub fn tell(line: &str) {
    let _ = writeln!(io::stderr(), "evenbeat: {}", visible(line));
}

/// Says how to go on, on standard error.
pub fn hint(line: &str) {
    let _ = writeln!(io::stderr(), "hint: {}", visible(line));
}

/// Says lines on standard output.
pub fn answer(lines: &str) {
    let _ = io::stdout().write_all(shown(lines).as_bytes());
}

/// Characters of a line of standard output.
pub fn columns() -> usize {
    terminal_size::terminal_size_of(io::stdout()).map_or(COLUMNS, |(width, _)| width.0.into())
}

/// Says lines on standard output, in colour where a terminal shows it and nobody asked for none (no-color.org).
pub fn answer_lines(lines: &[Line]) {
    let asked_for_none = env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let is_dumb = env::var_os("TERM").is_some_and(|value| value == "dumb");
    let is_coloured = io::stdout().is_terminal() && !asked_for_none && !is_dumb;
    let mut text = String::new();
    for line in lines {
        let (start, rest) = (visible(&line.start), visible(&line.rest));
        let _ = match code(line.tone).filter(|_| is_coloured) {
            Some(code) => writeln!(text, "\u{1b}[{code}m{start}\u{1b}[0m{rest}"),
            None => writeln!(text, "{}", format!("{start}{rest}").trim_end()),
        };
    }
    let _ = io::stdout().write_all(text.as_bytes());
}

/// How a terminal is told of a tone (ECMA-48, select graphic rendition); the words beside it say the same.
fn code(tone: Tone) -> Option<&'static str> {
    match tone {
        Tone::Plain => None,
        Tone::Strong => Some("1"),
        Tone::Right => Some("32"),
        Tone::Wrong => Some("1;31"),
        Tone::Warning => Some("33"),
        Tone::Quiet => Some("2"),
    }
}

/// The same lines, each made visible.
fn shown(lines: &str) -> String {
    lines.split('\n').map(visible).collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_controls_a_terminal_passes() {
        for (text, expected) in [
            ("plain\nlines\n", "plain\nlines\n"),
            ("\u{1b}[2Jgone", "\\u{1B}[2Jgone"),
            ("a\rb", "a\\rb"),
            ("\u{9b}31m", "\\u{9B}31m"),
            ("\u{202e}gpj.exe", "\\u{202E}gpj.exe"),
            ("", ""),
        ] {
            assert_eq!(shown(text), expected);
        }
    }
}
