//! A command line as text that is safe to paste: a recording may be called `$(rm -r .)`.

use std::borrow::Cow;

/// The shell that a command line is written for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shell {
    /// A shell as POSIX describes it.
    Posix,
    /// PowerShell, where the audit ran on Windows.
    PowerShell,
}

impl Shell {
    /// The shell of the machine that this runs on.
    pub const HERE: Self = if cfg!(windows) { Self::PowerShell } else { Self::Posix };

    /// The name written to files.
    pub fn name(self) -> &'static str {
        match self {
            Self::Posix => "posix",
            Self::PowerShell => "powershell",
        }
    }

    /// The shell with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Posix, Self::PowerShell].into_iter().find(|shell| shell.name() == name)
    }

    /// The command line as one line, program first. Control characters stay as they are.
    pub fn command(self, arguments: &[String]) -> String {
        let words: Vec<Cow<'_, str>> = arguments.iter().map(|argument| self.word(argument)).collect();
        // PowerShell takes a quoted word for a value unless it is told to call it.
        let call = if self == Self::PowerShell && words.first().is_some_and(|word| word.starts_with('\'')) {
            "& "
        } else {
            ""
        };
        format!("{call}{}", words.join(" "))
    }

    /// One argument: as it is where no character of it means anything to the shell, otherwise in single quotes, within
    /// which nothing does but the quote itself.
    fn word(self, argument: &str) -> Cow<'_, str> {
        let plain = |c: char| c.is_ascii_alphanumeric() || self.plain_marks().contains(c);
        if !argument.is_empty() && argument.chars().all(plain) {
            return argument.into();
        }
        let quoted = match self {
            // POSIX.1-2017, Shell Command Language, 2.2.2: a single quote cannot occur within single quotes.
            Self::Posix => argument.replace('\'', r"'\''"),
            // PowerShell language specification 2.3.5.2: doubled within; typographic quotes count as single quotes too.
            Self::PowerShell => argument
                .chars()
                .flat_map(|c| std::iter::repeat_n(c, if is_powershell_quote(c) { 2 } else { 1 }))
                .collect(),
        };
        format!("'{quoted}'").into()
    }

    /// Marks without a meaning to the shell, wherever in a word they stand.
    fn plain_marks(self) -> &'static str {
        match self {
            Self::Posix => "-_./:,+@%",
            Self::PowerShell => "-_./:\\",
        }
    }
}

fn is_powershell_quote(c: char) -> bool {
    matches!(c, '\'' | '\u{2018}' | '\u{2019}' | '\u{201a}' | '\u{201b}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_means_something_to_a_shell_is_quoted() {
        for (argument, posix, powershell) in [
            ("clip-1.y4m", "clip-1.y4m", "clip-1.y4m"),
            ("60000/1001", "60000/1001", "60000/1001"),
            ("0,0,640,90", "0,0,640,90", "'0,0,640,90'"),
            ("", "''", "''"),
            ("two words", "'two words'", "'two words'"),
            ("$(touch x);.y4m", "'$(touch x);.y4m'", "'$(touch x);.y4m'"),
            ("`touch x`", "'`touch x`'", "'`touch x`'"),
            ("it's", r"'it'\''s'", "'it''s'"),
            ("it’s", "'it’s'", "'it’’s'"),
            ("\"a\" & b | c", "'\"a\" & b | c'", "'\"a\" & b | c'"),
            ("~/x", "'~/x'", "'~/x'"),
            ("C:\\clip", "'C:\\clip'", "C:\\clip"),
            ("--junit=x", "'--junit=x'", "'--junit=x'"),
            ("a\nb", "'a\nb'", "'a\nb'"),
            ("漢字", "'漢字'", "'漢字'"),
        ] {
            let command = |shell: Shell| shell.command(&["evenbeat".to_owned(), argument.to_owned()]);
            assert_eq!(command(Shell::Posix), format!("evenbeat {posix}"), "{argument:?}");
            assert_eq!(command(Shell::PowerShell), format!("evenbeat {powershell}"), "{argument:?}");
        }
        assert_eq!(Shell::PowerShell.command(&["even beat".to_owned()]), "& 'even beat'");
    }

    /// A shell is the judge: it gives back every argument as it went in, and does nothing else.
    #[cfg(unix)]
    #[test]
    fn a_shell_gives_back_what_went_in() {
        let mut arguments: Vec<String> = ["printf", "%s\\n"].map(str::to_owned).to_vec();
        let odd = [
            "$(touch x);.y4m",
            "it's",
            "`id`",
            "a\\b",
            "!!",
            "#x",
            "a*?[b]",
            "{a,b}",
            "~",
            "&&",
            ">x",
            "\"",
            "''",
        ];
        let all: String = (' '..='~').collect();
        arguments.extend(odd.map(str::to_owned));
        arguments.push(all);
        let said = std::process::Command::new("sh")
            .arg("-c")
            .arg(Shell::Posix.command(&arguments))
            .output()
            .unwrap();
        let expected: String = arguments[2..].iter().map(|argument| format!("{argument}\n")).collect();
        assert_eq!(String::from_utf8(said.stdout).unwrap(), expected);
    }
}
