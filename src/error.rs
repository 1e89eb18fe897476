//! What stops an audit. One shape for every error: where, what, why, and the way out.

use std::fmt;
use std::io;
use std::path::Path;

/// An error that ends an audit before it is whole (exit status 2).
///
/// Displays as `PLACE: what: cause`, lower case, no full stop; `hint` is the one line that follows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Error {
    /// File, folder, `standard input`, or option that the error is about.
    pub place: String,
    /// What could not be done or is wrong.
    pub what: String,
    /// Why, with the value found and the allowed range where there is one; may be empty.
    pub cause: String,
    /// The way out, one line.
    pub hint: String,
}

/// Result whose error is [`Error`].
pub type Result<T> = std::result::Result<T, Error>;

impl Error {
    /// An error at `place`.
    pub fn new(
        place: impl Into<String>,
        what: impl Into<String>,
        cause: impl Into<String>,
        hint: impl Into<String>,
    ) -> Self {
        Self { place: place.into(), what: what.into(), cause: cause.into(), hint: hint.into() }
    }
}

impl Error {
    /// The error for people who do not know this machine: of a path only its last part.
    pub fn told_to_others(&self) -> String {
        let last = Path::new(&self.place).file_name().map(|name| name.to_string_lossy().into_owned());
        Self { place: last.unwrap_or_else(|| self.place.clone()), ..self.clone() }.to_string()
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place, self.what)?;
        if self.cause.is_empty() {
            return Ok(());
        }
        write!(f, ": {}", self.cause)
    }
}

impl std::error::Error for Error {}

/// Why the system refuses, in plain words that do not depend on its language where it has a name for it.
pub fn plain_cause(error: &io::Error) -> String {
    use io::ErrorKind as Kind;
    if error.get_ref().is_some() {
        // Not the system's words but this program's.
        return error.to_string();
    }
    match error.kind() {
        Kind::NotFound => "no such file or folder",
        Kind::PermissionDenied => "permission denied",
        Kind::NotADirectory => "a part of the path is not a folder",
        Kind::IsADirectory => "it is a folder",
        Kind::StorageFull | Kind::QuotaExceeded => "no space left",
        Kind::FileTooLarge => "the file system takes no file as large",
        Kind::ReadOnlyFilesystem => "read-only file system",
        Kind::ResourceBusy => "another program uses it",
        Kind::BrokenPipe => "whoever reads it wants no more",
        Kind::InvalidData => "it is no text in UTF-8",
        // What the system says ends with a number that helps in searching for it.
        _ => return format!("the system says: {}", error.to_string().to_lowercase()),
    }
    .to_owned()
}

/// Longest part of a value that an error quotes, characters. Choice: enough to recognise the value, not enough to carry a
/// file's content into a report.
const EXCERPT_CHARACTERS_MAX: usize = 40;

/// A value in quotes for an error, cut where it is long: an error says what it complains about and no more of a file.
pub fn excerpt(value: &str) -> String {
    let mut rest = value.chars();
    let start: String = rest.by_ref().take(EXCERPT_CHARACTERS_MAX).collect();
    let more = if rest.next().is_some() { " …" } else { "" };
    format!("{start:?}{more}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_values_are_quoted_in_part() {
        assert_eq!(excerpt("fast"), "\"fast\"");
        assert_eq!(excerpt("a\u{1b}\n"), "\"a\\u{1b}\\n\"");
        let forty = "é".repeat(40);
        assert_eq!(excerpt(&forty), format!("\"{forty}\""));
        assert_eq!(excerpt(&format!("{forty}x")), format!("\"{forty}\" …"));
    }
}
