//! What is said of a command line that is not understood: in the program's own voice, with the way out.

use std::ffi::OsString;
use std::path::Path;

use clap::error::{ContextKind, ContextValue, ErrorKind};
use clap::CommandFactory;

use super::arguments::Arguments;
use super::say;

/// Says what is wrong with a command line; `false` where it is no error but a question (help, version).
pub fn explain(error: &clap::Error, given: &[OsString]) -> bool {
    if !error.use_stderr() || error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
        return false;
    }
    let (problem, way_out) = guessed(error, given)
        .or_else(|| own_voice(error, given).map(|problem| (problem, help(error, given))))
        .unwrap_or_else(|| plain(error, given));
    say::tell(&problem);
    say::hint(&way_out);
    true
}

/// What was probably meant: a recording without a command, two recordings at once.
fn guessed(error: &clap::Error, given: &[OsString]) -> Option<(String, String)> {
    let word = |kind: ContextKind| word(error, kind);
    let command = given.get(1)?.to_string_lossy();
    match error.kind() {
        ErrorKind::InvalidSubcommand => {
            let word = word(ContextKind::InvalidSubcommand)?;
            // A file that is mistyped looks like a file all the same.
            let is_file = Path::new(&word).exists() || word.contains(['.', '/', '\\']);
            is_file.then(|| {
                (format!("{word}: no such command"), format!("`evenbeat audit {word}` audits that recording"))
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

fn word(error: &clap::Error, kind: ContextKind) -> Option<String> {
    match error.get(kind)? {
        ContextValue::String(word) => Some(word.clone()),
        ContextValue::Strings(words) => Some(words.join(", ")),
        _ => None,
    }
}

/// The problem as `what: cause`, where it is one of the usual ones.
fn own_voice(error: &clap::Error, given: &[OsString]) -> Option<String> {
    let word = |kind: ContextKind| word(error, kind);
    let argument = || word(ContextKind::InvalidArg);
    let name = |argument: String| argument.split(" <").next().unwrap_or_default().to_owned();
    match error.kind() {
        ErrorKind::InvalidSubcommand => {
            Some(format!("{}: no such command", word(ContextKind::InvalidSubcommand)?))
        }
        ErrorKind::UnknownArgument => Some(format!("{}: no such option{}", argument()?, of_command(given))),
        ErrorKind::MissingRequiredArgument => Some(format!("{}: missing{}", argument()?, of_command(given))),
        ErrorKind::TooFewValues => Some(format!(
            "{}: too few: {} needed, {} given",
            name(argument()?),
            number(error, ContextKind::MinValues)?,
            number(error, ContextKind::ActualNumValues)?
        )),
        ErrorKind::InvalidValue | ErrorKind::ValueValidation => {
            let value = word(ContextKind::InvalidValue).filter(|value| !value.is_empty())?;
            let cause = match word(ContextKind::ValidValue) {
                Some(known) => format!("known are {known}"),
                None => std::error::Error::source(error)?.to_string(),
            };
            Some(format!("{} {value}: {cause}", name(argument()?)))
        }
        _ => None,
    }
}

fn number(error: &clap::Error, kind: ContextKind) -> Option<isize> {
    match error.get(kind)? {
        ContextValue::Number(number) => Some(*number),
        _ => None,
    }
}

/// ` of `audit``, where a command was given.
fn of_command(given: &[OsString]) -> String {
    command(given).map_or_else(String::new, |command| format!(" in `evenbeat {command}`"))
}

/// The command that was given, if it is one.
fn command(given: &[OsString]) -> Option<String> {
    let word = given.get(1)?.to_string_lossy().into_owned();
    Arguments::command().find_subcommand(&word).is_some().then_some(word)
}

/// What was probably meant, and where help is.
fn help(error: &clap::Error, given: &[OsString]) -> String {
    let meant = word(error, ContextKind::SuggestedSubcommand).map(|meant| format!("evenbeat {meant}"));
    let meant = meant.or_else(|| word(error, ContextKind::SuggestedArg));
    let meant = meant.map_or_else(String::new, |meant| format!("`{meant}` may be meant; "));
    match command(given) {
        Some(command) => format!("{meant}`evenbeat {command} --help` lists what it takes"),
        None => format!("{meant}`evenbeat --help` lists the commands"),
    }
}

/// What the parser of the command line says, in one line, and where help is.
fn plain(error: &clap::Error, given: &[OsString]) -> (String, String) {
    let text = error.to_string();
    let text = text.strip_prefix("error: ").unwrap_or(&text);
    let mut paragraphs = text.split("\n\n");
    let problem = paragraphs.next().unwrap_or_default();
    let problem: Vec<&str> = problem.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    (problem.join(" "), help(error, given))
}
