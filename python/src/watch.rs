//! Long work away from the interpreter: progress, notes, and Ctrl-C.

use crate::errors::Fault;
use crestbook::Observer;
use pyo3::exceptions::{PyRuntimeError, PyUserWarning};
use pyo3::prelude::*;
use std::ffi::CString;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

/// How often signals and progress are looked at.
const TICK: Duration = Duration::from_millis(50);

/// What a run tells, and whether it is to end.
#[derive(Default)]
pub(crate) struct Watch {
    done: AtomicU64,
    total: AtomicU64,
    stop: AtomicBool,
    notes: Mutex<Vec<String>>,
}

impl Observer for Watch {
    fn progress(&self, done: u64, total: u64) {
        self.total.store(total, Ordering::Relaxed);
        self.done.store(done, Ordering::Relaxed);
    }

    fn note(&self, text: &str) {
        if let Ok(mut notes) = self.notes.lock() {
            notes.push(text.to_owned());
        }
    }

    fn stop(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }
}

impl Watch {
    /// Calls `callback(done, total)`.
    fn tell(&self, py: Python<'_>, callback: Option<&Py<PyAny>>) -> PyResult<()> {
        let (done, total) = (self.done.load(Ordering::Relaxed), self.total.load(Ordering::Relaxed));
        if let Some(callback) = callback.filter(|_| total > 0) {
            callback.call1(py, (done, total))?;
        }
        Ok(())
    }
}

/// Does `work` in a thread of its own while this one, which may be the main one, looks after signals and
/// progress; the interpreter is free meanwhile. What the work notes becomes warnings.
pub(crate) fn away<T: Send>(
    py: Python<'_>,
    progress: Option<&Py<PyAny>>,
    work: impl FnOnce(&Watch) -> Result<T, Fault> + Send,
) -> PyResult<T> {
    let watch = Watch::default();
    let (done, over) = channel();
    let result = py.detach(|| {
        let over = over;
        std::thread::scope(|scope| {
            let watch = &watch;
            let worker = scope.spawn(move || {
                let result = work(watch);
                // Nobody listens any more where the wait was broken off.
                let _ = done.send(());
                result
            });
            let mut broken = None;
            while broken.is_none() && over.recv_timeout(TICK) == Err(RecvTimeoutError::Timeout) {
                let looked = Python::attach(|py| {
                    py.check_signals()?;
                    watch.tell(py, progress)
                });
                broken = looked.err();
            }
            if broken.is_some() {
                watch.stop.store(true, Ordering::Relaxed);
            }
            match (worker.join(), broken) {
                (_, Some(error)) => Err(error),
                (Ok(result), None) => result.map_err(PyErr::from),
                (Err(_), None) => Err(PyRuntimeError::new_err(
                    "a fault of crestbook; please report it with the capture",
                )),
            }
        })
    })?;
    watch.tell(py, progress)?;
    let notes = watch.notes.lock().map(|mut notes| std::mem::take(&mut *notes)).unwrap_or_default();
    for note in notes {
        let note = CString::new(note.replace('\0', " ")).unwrap_or_default();
        PyErr::warn(py, &py.get_type::<PyUserWarning>(), &note, 2)?;
    }
    Ok(result)
}
