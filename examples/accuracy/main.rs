//! Makes `docs/accuracy.md`: `cargo run --release --example accuracy` (about a quarter of an hour on
//! two cores). `-- edges 100`, `-- errors 2` or `-- coverage 500` print one section, of so many
//! cycles, repetitions or captures, and write nothing.

#![allow(clippy::print_stdout, clippy::print_stderr)]

mod bench;
mod coverage;
mod draw;
mod grid;
mod segmentation;

fn main() -> std::io::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let count = |usual: u64| arguments.get(1).and_then(|n| n.parse().ok()).unwrap_or(usual);
    match arguments.first().map(String::as_str) {
        Some("edges") => println!("{}", segmentation::section(count(100))),
        Some("errors") => {
            let repetitions = count(4);
            println!("{}", grid::section(&grid::run(repetitions), repetitions));
        }
        Some("coverage") => println!("{}", coverage::section(count(500))),
        Some(other) => {
            eprintln!("{other}: no such section; edges, errors or coverage");
            std::process::exit(2);
        }
        None => {}
    }
    Ok(())
}
