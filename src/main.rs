//! The `evenbeat` command: parse, run, print errors, exit status.

mod cli;

use std::env;
use std::ffi::OsString;
use std::process::ExitCode;
use std::sync::atomic::Ordering;

use clap::Parser;
use cli::arguments::{Arguments, Command};
use cli::exit::Exit;
use cli::{campaign, commands, compare, interrupt, interrupt::STOP, join, print, say, usage};
use evenbeat::error::Result;

fn main() -> ExitCode {
    let given: Vec<OsString> = env::args_os().collect();
    let arguments = match Arguments::try_parse_from(&given) {
        Ok(arguments) => arguments,
        Err(error) if usage::explain(&error, &given) => return Exit::NotWhole.into(),
        Err(error) => error.exit(),
    };
    interrupt::install();
    let outcome = match arguments.command {
        Command::Audit(audit) => commands::audit(&audit),
        Command::Fingerprint(fingerprint) => commands::fingerprint(&fingerprint),
        Command::Compare(arguments) => compare::compare(&arguments),
        Command::Campaign(arguments) => campaign::campaign(&arguments),
        Command::Join(arguments) => join::join(&arguments),
        Command::Report(report) => commands::report(&report),
        Command::Testclip(testclip) => commands::testclip(&testclip),
        Command::Print(what) => print::print(&what),
        Command::Demo(demo) => commands::demo(&demo),
    };
    report_error(outcome).into()
}

/// Prints an error with its hint; standard error may be closed, the status still tells.
fn report_error(outcome: Result<Exit>) -> Exit {
    outcome.unwrap_or_else(|error| {
        say::tell(&error.to_string());
        if !error.hint.is_empty() {
            say::hint(&error.hint);
        }
        if STOP.load(Ordering::SeqCst) {
            Exit::Interrupted
        } else {
            Exit::NotWhole
        }
    })
}
