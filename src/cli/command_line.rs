//! The command line as a report tells it.

use std::env;
use std::ffi::OsString;
use std::path::PathBuf;

use clap::builder::ValueParser;
use clap::{value_parser, Arg, Command, CommandFactory};
use evenbeat::settings::PathNames;

use super::arguments::Arguments;

/// This run's command line, program name first.
pub fn recorded(names: PathNames) -> Vec<String> {
    told(env::args_os(), names)
}

/// A command line with its paths named as asked. Which values are paths follows from their types.
fn told(arguments: impl IntoIterator<Item = OsString>, names: PathNames) -> Vec<String> {
    let mut program = Arguments::command();
    program.build();
    let mut arguments = arguments.into_iter();
    let mut told: Vec<String> = arguments.next().map(|name| names.of(name.as_ref())).into_iter().collect();
    let Some(name) = arguments.next().map(plain) else { return told };
    let command = program.find_subcommand(&name);
    told.push(name);
    let Some(command) = command else { return told };
    let mut only_values = false;
    while let Some(argument) = arguments.next() {
        let text = plain(argument.clone());
        if only_values || text == "-" || !text.starts_with('-') {
            told.push(names.of(argument.as_ref()));
        } else if text == "--" {
            only_values = true;
            told.push(text);
        } else if let Some((option, value)) = text.split_once('=') {
            let is_path = option_named(command, option).is_some_and(takes_path);
            let value = if is_path { names.of(value.as_ref()) } else { value.to_owned() };
            told.push(format!("{option}={value}"));
        } else {
            let option = option_named(command, &text).filter(|option| option.get_action().takes_values());
            told.push(text);
            if let (Some(option), Some(value)) = (option, option.and_then(|_| arguments.next())) {
                told.push(if takes_path(option) { names.of(value.as_ref()) } else { plain(value) });
            }
        }
    }
    told
}

fn plain(argument: OsString) -> String {
    argument.to_string_lossy().into_owned()
}

fn option_named<'a>(command: &'a Command, name: &str) -> Option<&'a Arg> {
    let long = name.strip_prefix("--");
    let is_named = |option: &&Arg| {
        let also = option.get_all_aliases().unwrap_or_default();
        long.is_some_and(|long| option.get_long() == Some(long) || also.contains(&long))
    };
    command.get_arguments().find(is_named)
}

fn takes_path(option: &Arg) -> bool {
    let kind = option.get_value_parser().type_id();
    let (path, name): (ValueParser, ValueParser) = (value_parser!(PathBuf), value_parser!(OsString));
    kind == path.type_id() || kind == name.type_id()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_lose_their_folders_and_rates_keep_their_parts() {
        for (given, expected) in [
            ("/usr/bin/evenbeat audit /home/ann/a.y4m", "evenbeat audit a.y4m"),
            ("evenbeat audit -", "evenbeat audit -"),
            ("evenbeat audit shots/*.png --rate 60000/1001", "evenbeat audit *.png --rate 60000/1001"),
            ("evenbeat audit --out /x/y a/b --quiet --force", "evenbeat audit --out y b --quiet --force"),
            ("evenbeat audit -q --decoder=/opt/d a/b", "evenbeat audit -q --decoder=d b"),
            ("evenbeat audit a --clip-rate 60000/1001", "evenbeat audit a --clip-rate 60000/1001"),
            ("evenbeat audit a --device x/y --about b/c", "evenbeat audit a --device x/y --about c"),
            ("evenbeat audit --rate=60000/1001 a/b", "evenbeat audit --rate=60000/1001 b"),
            ("evenbeat audit --require freezes=0 a/b", "evenbeat audit --require freezes=0 b"),
            ("evenbeat audit -- -x/-y", "evenbeat audit -- -y"),
            (
                "evenbeat report a/b --capture c/d --timeline-to 5",
                "evenbeat report b --capture d --timeline-to 5",
            ),
            ("evenbeat audit ..", "evenbeat audit .."),
            ("evenbeat", "evenbeat"),
            ("evenbeat nothing", "evenbeat nothing"),
            ("evenbeat audit a --out", "evenbeat audit a --out"),
        ] {
            let words = || given.split(' ').map(OsString::from);
            assert_eq!(told(words(), PathNames::Last).join(" "), expected);
            assert_eq!(told(words(), PathNames::Whole).join(" "), given);
        }
    }
}
