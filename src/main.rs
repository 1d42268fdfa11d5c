//! The `crestbook` program.

fn main() -> crestbook::cli::Exit {
    crestbook::cli::main()
}
