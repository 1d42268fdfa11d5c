//! Completions and manual pages.

use super::Cli;
use super::exit::{Exit, Failure};
use super::printer::Printer;
use crate::files::{WriteError, write_whole};
use clap::CommandFactory;
use std::path::PathBuf;

/// `crestbook completions`.
#[derive(Debug, clap::Args)]
pub(super) struct Completions {
    /// The shell
    shell: clap_complete::Shell,
}

/// `crestbook man`.
#[derive(Debug, clap::Args)]
pub(super) struct Man {
    /// Write the pages of all commands to this folder
    #[arg(long, short, value_name = "FOLDER")]
    output: Option<PathBuf>,
}

/// Prints completions.
pub(super) fn completions(args: &Completions, printer: &Printer) -> Result<Exit, Failure> {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Cli::command(), "crestbook", &mut text);
    printer.out(&String::from_utf8_lossy(&text))?;
    Ok(Exit::Done)
}

/// Prints or writes manual pages.
pub(super) fn man(args: &Man, printer: &Printer) -> Result<Exit, Failure> {
    let render = |command: clap::Command| {
        let mut text = Vec::new();
        // Writing to memory can't fail.
        let _ = clap_mangen::Man::new(command).render(&mut text);
        text
    };
    let mut whole = Cli::command();
    whole.build();
    let Some(folder) = &args.output else {
        printer.out(&String::from_utf8_lossy(&render(whole)))?;
        return Ok(Exit::Done);
    };
    std::fs::create_dir_all(folder)
        .map_err(|source| WriteError { file: folder.clone(), source })?;
    for command in whole.get_subcommands().filter(|command| command.get_name() != "help") {
        let name = format!("crestbook-{}", command.get_name());
        let path = folder.join(format!("{name}.1"));
        write_whole(&path, &render(command.clone().name(name)))?;
    }
    write_whole(&folder.join("crestbook.1"), &render(whole))?;
    Ok(Exit::Done)
}
