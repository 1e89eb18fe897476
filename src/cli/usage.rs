//! What is said of a command line that is not understood: in the program's own voice, with the way out.

use std::ffi::OsString;
use std::path::Path;

use clap::error::{ContextKind, ContextValue, ErrorKind};

use super::say;

/// Says what is wrong with a command line; `false` where it is no error but a question (help, version).
pub fn explain(error: &clap::Error, given: &[OsString]) -> bool {
    if !error.use_stderr() || error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
        return false;
    }
    let (problem, way_out) = guessed(error, given).unwrap_or_else(|| plain(error, given));
    say::tell(&problem);
    say::hint(&way_out);
    true
}

/// What was probably meant: a recording without a command, two recordings at once.
fn guessed(error: &clap::Error, given: &[OsString]) -> Option<(String, String)> {
    let word = |kind: ContextKind| match error.get(kind) {
        Some(ContextValue::String(word)) => Some(word.clone()),
        _ => None,
    };
    let command = given.get(1)?.to_string_lossy();
    match error.kind() {
        ErrorKind::InvalidSubcommand => {
            let word = word(ContextKind::InvalidSubcommand)?;
            Path::new(&word).exists().then(|| {
                (format!("{word}: is no command"), format!("`evenbeat audit {word}` audits that recording"))
            })
        }
        ErrorKind::UnknownArgument if command == "audit" || command == "fingerprint" => {
            let word = word(ContextKind::InvalidArg).filter(|word| !word.starts_with('-'))?;
            let way_out = format!(
                "run `evenbeat {command}` for each, then `evenbeat compare` on the folders of the audits to see them side by \
                 side"
            );
            Some((format!("{word}: one recording at a time: another one was given before it"), way_out))
        }
        _ => None,
    }
}

/// What the parser of the command line says, in one line, and where help is.
fn plain(error: &clap::Error, given: &[OsString]) -> (String, String) {
    let text = error.to_string();
    let text = text.strip_prefix("error: ").unwrap_or(&text);
    let mut paragraphs = text.split("\n\n");
    let problem = paragraphs.next().unwrap_or_default();
    let problem: Vec<&str> = problem.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    let tip = paragraphs.find_map(|paragraph| paragraph.trim().strip_prefix("tip: "));
    let command = given.get(1).map(|word| word.to_string_lossy().into_owned());
    let known =
        ["audit", "fingerprint", "compare", "campaign", "join", "report", "testclip", "print", "demo"];
    let of_command = command.filter(|word| known.contains(&word.as_str()));
    let help = match of_command {
        Some(command) => format!("`evenbeat {command} --help` lists what it takes"),
        None => "`evenbeat --help` lists the commands".to_owned(),
    };
    let tip = tip.map(|tip| format!("{}; ", tip.lines().next().unwrap_or_default())).unwrap_or_default();
    (problem.join(" "), format!("{tip}{help}"))
}
