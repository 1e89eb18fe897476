//! What stops an audit. One shape for every error: where, what, why, and the way out.

use std::fmt;

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
