//! The only way to the terminal for text: no character from outside moves the cursor, changes colours or hides what stands
//! beside it. What is data (a log, a clip, completions) goes its own way.

use std::io::{self, Write};

use evenbeat::escape::visible;

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
