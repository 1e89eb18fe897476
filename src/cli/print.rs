//! Completion scripts and manual pages, made from the same definitions as the help.

use std::io::{self, Write};

use clap::CommandFactory;
use evenbeat::error::{plain_cause, Error, Result};

use super::arguments::{Arguments, PrintCommand};
use super::exit::Exit;

/// `evenbeat print`: writes to standard output.
pub fn print(what: &PrintCommand) -> Result<Exit> {
    let text = match what {
        PrintCommand::Completions { shell } => {
            let mut script = Vec::new();
            clap_complete::generate(*shell, &mut Arguments::command(), "evenbeat", &mut script);
            script
        }
        PrintCommand::Manual { command } => manual(command.as_deref())?,
    };
    io::stdout().write_all(&text).map_err(|error| {
        Error::new("standard output", "cannot write", plain_cause(&error), "write to a file with > FILE")
    })?;
    Ok(Exit::Clean)
}

fn manual(name: Option<&str>) -> Result<Vec<u8>> {
    let mut program = Arguments::command();
    program.build();
    let described = match name {
        None => program,
        Some(name) => program.find_subcommand(name).cloned().ok_or_else(|| {
            let known: Vec<&str> = program.get_subcommands().map(clap::Command::get_name).collect();
            Error::new(
                name,
                "no such command",
                format!("there are {}", known.join(", ")),
                "give one of these, or none for the program's page",
            )
        })?,
    };
    let mut page = Vec::new();
    // Memory takes every byte.
    let _ = clap_mangen::Man::new(described).render(&mut page);
    Ok(page)
}
