//! `evenbeat join`: the logs of all parts of a recording as one.

use std::path::PathBuf;

use clap::Args;
use evenbeat::error::Result;
use evenbeat::fingerprint_parts;
use evenbeat::output::same::{refuse_inputs, Input, Output};
use evenbeat::output::{Existing, WholeFile};

use super::exit::Exit;

/// `join`.
#[derive(Args, Debug)]
#[command(after_help = EXAMPLES)]
pub struct JoinArguments {
    /// The logs of all parts, in any order.
    #[arg(required = true, value_name = "LOG")]
    pub logs: Vec<PathBuf>,
    /// The log of the whole: the same bytes as in one pass.
    #[arg(long, value_name = "LOG")]
    pub out: PathBuf,
    /// Write the log although the file is there.
    #[arg(long)]
    pub force: bool,
}

const EXAMPLES: &str = "\
Examples:
  evenbeat fingerprint recording.mkv --part 1/2 --out 1.part
  evenbeat fingerprint recording.mkv --part 2/2 --out 2.part
  evenbeat join 1.part 2.part --out recording.log";

/// What errors call the log.
const LOG: &str = "fingerprint log";

/// Joins.
pub fn join(arguments: &JoinArguments) -> Result<Exit> {
    let inputs: Vec<Input<'_>> =
        arguments.logs.iter().map(|path| Input { what: "the log of a part", path }).collect();
    refuse_inputs(&[Output { what: LOG, path: &arguments.out }], &inputs)?;
    let existing = if arguments.force { Existing::Replace } else { Existing::Keep };
    let mut log = WholeFile::reserve(&arguments.out, LOG, existing)?;
    let place = arguments.out.display().to_string();
    let end = fingerprint_parts::join(&arguments.logs, (&place, &mut log))?;
    log.commit()?;
    Ok(if end.is_complete() { Exit::Clean } else { Exit::NotWhole })
}
