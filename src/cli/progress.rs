//! A bar for long reads, notes, and Ctrl-C.

use super::printer::Printer;
use crate::recording::Observer;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

static STOP: AtomicBool = AtomicBool::new(false);

/// Asks for a clean end at the first Ctrl-C; the second ends at once.
pub(super) fn catch_interrupts() {
    static ONCE: OnceLock<()> = OnceLock::new();
    ONCE.get_or_init(|| {
        // Without a handler the default one ends the program: temporary files may then stay.
        let _ = ctrlc::set_handler(|| {
            if STOP.swap(true, Ordering::Relaxed) {
                std::process::exit(130);
            }
        });
    });
}

/// Whether the user wants to end.
pub(super) fn stopped() -> bool {
    STOP.load(Ordering::Relaxed)
}

/// Shows a run.
pub(super) struct Watch<'a> {
    printer: &'a Printer,
    begun: Instant,
    bar: OnceLock<ProgressBar>,
}

/// Runs shorter than this show no bar.
const PATIENCE: Duration = Duration::from_millis(700);

impl<'a> Watch<'a> {
    /// Begins to watch.
    pub(super) fn new(printer: &'a Printer) -> Self {
        catch_interrupts();
        Self { printer, begun: Instant::now(), bar: OnceLock::new() }
    }
}

impl Observer for Watch<'_> {
    fn progress(&self, done: u64, total: u64) {
        if !self.printer.draws_progress() || self.begun.elapsed() < PATIENCE {
            return;
        }
        let bar = self.bar.get_or_init(|| {
            let bar = ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::stderr());
            if let Ok(style) =
                ProgressStyle::with_template("reading {wide_bar} {percent} % ({eta} left)")
            {
                bar.set_style(style);
            }
            bar
        });
        bar.set_length(total);
        bar.set_position(done);
        if done == total {
            bar.finish_and_clear();
        }
    }

    fn note(&self, text: &str) {
        self.printer.note(text);
    }

    fn stop(&self) -> bool {
        let stop = stopped();
        if stop && let Some(bar) = self.bar.get() {
            bar.finish_and_clear();
        }
        stop
    }
}
