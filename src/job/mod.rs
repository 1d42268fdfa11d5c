//! A job: one verification of one unit in one folder, from its plan to its result.
//!
//! ```text
//! FOLDER/job.toml          unit, state, people, readings; pins the plan by its hash
//! FOLDER/profile.toml      the plan
//! FOLDER/checklist.html    what is to be done, in the order that spares the unit
//! FOLDER/captures/         a prepared sheet per step; data files are saved beside them
//! FOLDER/results/          result.json, report.html, numbers.csv
//! FOLDER/.crestbook/       the plan as pinned, what was measured already
//! ```

mod accept;
mod cache;
mod edit;
mod error;
mod file;
mod init;
mod measure;
mod note;
mod open;
mod pin;
mod run;
mod scan;
mod watch;

pub use accept::accept;
pub use error::JobError;
pub use file::{JobFile, PlanChange};
pub use init::{Beginning, begin};
pub use note::note;
pub use open::Job;
pub use run::{Ran, RunOptions, earlier, run, write};
pub use scan::Scan;
pub use watch::{Stand, stand};

/// Folder of the captures.
pub const CAPTURES: &str = "captures";
/// Folder of what is made anew by each run.
pub const RESULTS: &str = "results";
/// Folder of what the program remembers.
pub const MEMORY: &str = ".crestbook";
