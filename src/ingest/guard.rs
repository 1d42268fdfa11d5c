//! A library that may panic on damaged input, kept from ending the program.

use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind};

thread_local! {
    static GUARDED: Cell<bool> = const { Cell::new(false) };
}

/// Whether a panic of this thread will be caught and told as damage: a hook that prints panics
/// should then be silent.
#[must_use]
pub fn guarded() -> bool {
    GUARDED.get()
}

/// Runs `work`; `None` where it panicked. What `work` has built until then is dropped with it.
pub(super) fn guard<T>(work: impl FnOnce() -> T) -> Option<T> {
    GUARDED.set(true);
    let done = catch_unwind(AssertUnwindSafe(work));
    GUARDED.set(false);
    done.ok()
}
