//! Writes the manual pages and shell completions of both programs, from the same definitions that read their command lines:
//! `ampwake-pages DIR`. Run when a package is built; no part of one.

use clap::{Command, CommandFactory};
use clap_complete::{Shell, generate_to};
use std::path::Path;

fn main() -> std::io::Result<()> {
    let Some(folder) = std::env::args_os().nth(1) else {
        return Err(std::io::Error::other("name the folder: ampwake-pages DIR"));
    };
    let (man, completions) = (Path::new(&folder).join("man"), Path::new(&folder).join("completions"));
    std::fs::create_dir_all(&man)?;
    std::fs::create_dir_all(&completions)?;
    for command in [ampwake_analyzer::commands::Cli::command(), ampwake_logger::arguments::Arguments::command()] {
        // One page for each command, for example ampwake-status.1.
        clap_mangen::generate_to(command.clone(), &man)?;
        complete(command, &completions)?;
    }
    Ok(())
}

fn complete(mut command: Command, folder: &Path) -> std::io::Result<()> {
    let name = command.get_name().to_owned();
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        generate_to(shell, &mut command, &name, folder)?;
    }
    Ok(())
}
