//! The `evenbeat` command.

fn main() {}
