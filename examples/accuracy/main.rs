//! Makes `docs/accuracy.md` and its picture: `cargo run --release --example accuracy` (about a
//! quarter of an hour on two cores). `-- edges 100`, `-- errors 2`, `-- coverage 500`,
//! `-- simulation 10`, `-- verdicts 2000` or `-- hard 5` print one section, of so many cycles, repetitions or captures,
//! and write nothing.

#![allow(clippy::print_stdout, clippy::print_stderr, unreachable_pub)]

mod bench;
mod coverage;
mod draw;
mod grid;
mod hard;
mod picture;
mod segmentation;
mod simulation;
mod trial;
mod verdicts;

use std::path::Path;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let count = |usual: u64| arguments.get(1).and_then(|n| n.parse().ok()).unwrap_or(usual);
    match arguments.first().map(String::as_str) {
        Some("edges") => println!("{}", segmentation::section(count(100))),
        Some("errors") => {
            let repetitions = count(2);
            println!("{}", grid::section(&grid::run(repetitions), repetitions));
        }
        Some("coverage") => println!("{}", coverage::section(count(500))),
        Some("simulation") => println!("{}", simulation::section(count(10))),
        Some("verdicts") => println!("{}", verdicts::section(count(2000))),
        Some("hard") => {
            let only = arguments.get(2).map(String::as_str);
            let verbose = std::env::var_os("VERBOSE").is_some();
            println!("{}", trial::section(count(5), only, verbose));
        }
        Some(other) => {
            eprintln!(
                "{other}: no such section; edges, errors, coverage, simulation, verdicts or hard"
            );
            std::process::exit(2);
        }
        None => write(&Path::new(env!("CARGO_MANIFEST_DIR")).join("docs"))?,
    }
    Ok(())
}

fn write(docs: &Path) -> Result<(), Box<dyn std::error::Error>> {
    const REPETITIONS: u64 = 10;
    eprintln!("errors ...");
    let grid = grid::run(REPETITIONS);
    std::fs::write(docs.join("accuracy.svg"), picture::svg(&grid)?)?;
    eprintln!("coverage ...");
    let coverage = coverage::section(2000);
    eprintln!("simulation ...");
    let simulation = simulation::section(40);
    eprintln!("edges ...");
    let segmentation = segmentation::section(1000);
    eprintln!("hard captures ...");
    let text = format!(
        "# Accuracy\n\nMade by `cargo run --release --example accuracy`, on synthetic captures whose truth \
         is known in closed form.\n\n{coverage}\n{simulation}\n{}\n{segmentation}\n{}\n{}",
        grid::section(&grid, REPETITIONS),
        verdicts::section(2000),
        trial::section(5, None, false)
    );
    Ok(std::fs::write(docs.join("accuracy.md"), text)?)
}
