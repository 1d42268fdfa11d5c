//! Pieces decoded by several threads, handed on in order, with a bounded number in flight.

use super::{IngestError, Piece, Selection, TraceReader};
use std::ops::{ControlFlow, Range};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

/// Pieces that one thread may be ahead of the consumer.
const AHEAD: usize = 2;

/// Decodes the pieces of a range with `threads` threads (at least 1) and gives them to `sink` in
/// order, with their number. The sink may break off.
///
/// # Errors
/// The first error in the order of the file, whichever thread met it.
pub fn stream(
    reader: &dyn TraceReader,
    range: Range<usize>,
    wanted: Selection,
    threads: usize,
    mut sink: impl FnMut(usize, &mut Piece) -> ControlFlow<()>,
) -> Result<(), IngestError> {
    let threads = threads.clamp(1, range.len().max(1));
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads)
            .map(|worker| {
                let share = (range.start + worker..range.end).step_by(threads);
                let (full_in, full) = sync_channel(AHEAD);
                let (spare, spare_out) = sync_channel(AHEAD + 1);
                scope.spawn(move || {
                    decode_share(reader, wanted, share, &full_in, &spare_out);
                });
                (full, spare)
            })
            .collect();
        for (number, (full, spare)) in range.zip(workers.iter().cycle()) {
            // A closed channel can only follow an error, and errors end this loop.
            let Ok(decoded) = full.recv() else { break };
            let mut piece = decoded?;
            if sink(number, &mut piece).is_break() {
                break;
            }
            // The worker may have ended already; then nobody needs the memory.
            let _ = spare.try_send(piece);
        }
        Ok(())
    })
}

fn decode_share(
    reader: &dyn TraceReader,
    wanted: Selection,
    share: impl Iterator<Item = usize>,
    full: &SyncSender<Result<Piece, IngestError>>,
    spare: &Receiver<Piece>,
) {
    for number in share {
        let mut piece = spare.try_recv().unwrap_or_default();
        let decoded = reader.decode(number, wanted, &mut piece).map(|()| piece);
        let failed = decoded.is_err();
        if full.send(decoded).is_err() || failed {
            return;
        }
    }
}
