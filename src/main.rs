//! The `evenbeat` command: parse, run, print errors, exit status.

mod cli;

use std::process::ExitCode;
use std::sync::atomic::Ordering;

use clap::Parser;
use cli::arguments::{Arguments, Command};
use cli::exit::Exit;
use cli::{campaign, commands, compare, interrupt, interrupt::STOP, join, print, say};
use evenbeat::error::Result;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
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
