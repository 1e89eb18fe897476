//! Exit status.

use std::process::ExitCode;

/// How a run ended; the numbers are a contract.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// Audited, no finding at or above the chosen severity and every requirement met.
    Clean,
    /// Audited, findings or a requirement that is not met.
    Findings,
    /// Not audited or not whole.
    NotWhole,
    /// Interrupted; a partial report was written.
    Interrupted,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(match exit {
            Exit::Clean => 0,
            Exit::Findings => 1,
            Exit::NotWhole => 2,
            Exit::Interrupted => 130,
        })
    }
}
