//! How content is packed: a zstd frame, and behind it in a skippable frame (RFC 8878, 3.1.2) the SHA-256 of the first,
//! so that no byte of either can change unseen, and any tool for zstd unpacks it.

use crate::digest::{Hasher, Sha256};
use std::cell::RefCell;
use std::io::{self, Read, Write};

/// Compression: a tenth smaller than 1, still at hundreds of megabytes a second.
const LEVEL: i32 = 3;
/// First bytes of a skippable frame, and its length.
const TRAILER: [u8; 8] = [0x50, 0x2a, 0x4d, 0x18, 32, 0, 0, 0];
/// Length of the whole trailer.
pub(super) const TRAILER_BYTES: u64 = 40;

thread_local! {
    /// What a decoder works with: for what is small, making it takes longer than unpacking.
    static DECODER: RefCell<zstd::bulk::Decompressor<'static>> = RefCell::default();
}

/// Unpacks what is in memory, into at most `size` bytes, with its SHA-256; `None` where what is packed is not what was
/// packed once, or is larger.
pub(super) fn unpack_small(packed: &[u8], size: usize) -> Option<(Vec<u8>, Sha256)> {
    let (frame, trailer) = packed.split_last_chunk::<{ TRAILER_BYTES as usize }>()?;
    if trailer[..8] != TRAILER || trailer[8..] != *Sha256::of(frame).bytes() {
        return None;
    }
    let content = DECODER.with_borrow_mut(|decoder| decoder.decompress(frame, size)).ok()?;
    let hash = Sha256::of(&content);
    Some((content, hash))
}

/// Hashes what passes through.
struct Passing<T> {
    inner: T,
    hasher: Hasher,
}

impl<T: Write> Write for Passing<T> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let count = self.inner.write(bytes)?;
        self.hasher.write_all(&bytes[..count])?;
        Ok(count)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

impl<T: Read> Read for Passing<T> {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let count = self.inner.read(bytes)?;
        self.hasher.write_all(&bytes[..count])?;
        Ok(count)
    }
}

fn copy(input: &mut dyn Read, hasher: &mut Hasher, out: &mut dyn Write) -> io::Result<()> {
    let mut piece = vec![0; 1 << 17];
    loop {
        let count = match input.read(&mut piece) {
            Ok(0) => return Ok(()),
            Ok(count) => count,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        hasher.write_all(&piece[..count])?;
        out.write_all(&piece[..count])?;
    }
}

/// Packs all of `input` into `out`; the SHA-256 of the content.
pub(super) fn pack(input: &mut dyn Read, out: &mut dyn Write) -> io::Result<Sha256> {
    let mut content = Hasher::default();
    let mut coder = zstd::Encoder::new(Passing { inner: out, hasher: Hasher::default() }, LEVEL)?;
    copy(input, &mut content, &mut coder)?;
    let Passing { inner, hasher } = coder.finish()?;
    inner.write_all(&TRAILER)?;
    inner.write_all(hasher.finish().bytes())?;
    Ok(content.finish())
}

/// Unpacks `bytes` bytes of `input` into `out`; the SHA-256 of the content, `None` where what is packed is not what was
/// packed once.
pub(super) fn unpack(
    mut input: impl Read,
    bytes: u64,
    out: &mut dyn Write,
) -> io::Result<Option<Sha256>> {
    let Some(frame) = bytes.checked_sub(TRAILER_BYTES) else { return Ok(None) };
    let mut content = Hasher::default();
    let mut packed = Passing { inner: input.by_ref().take(frame), hasher: Hasher::default() };
    {
        let mut coder = zstd::Decoder::new(&mut packed)?;
        copy(&mut coder, &mut content, out)?;
    }
    // What the decoder did not ask for.
    io::copy(&mut packed, &mut io::sink())?;
    let hash = packed.hasher.finish();
    let mut trailer = Vec::new();
    input.take(TRAILER_BYTES + 1).read_to_end(&mut trailer)?;
    let sound = trailer.get(..8) == Some(&TRAILER) && trailer.get(8..) == Some(hash.bytes());
    Ok(sound.then(|| content.finish()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_byte_changes_unseen() {
        let content: Vec<u8> = (0..5000_u32).flat_map(|k| (k * k % 251).to_le_bytes()).collect();
        let mut packed = Vec::new();
        assert_eq!(pack(&mut content.as_slice(), &mut packed).unwrap(), Sha256::of(&content));
        let mut out = Vec::new();
        let found = unpack(packed.as_slice(), packed.len() as u64, &mut out).unwrap();
        assert_eq!((found, out == content), (Some(Sha256::of(&content)), true));
        assert_eq!(unpack_small(&packed, 5000 * 4), Some((content.clone(), Sha256::of(&content))));
        assert_eq!(unpack_small(&packed, 5000 * 4 - 1), None);
        // As any tool for zstd reads it.
        assert_eq!(zstd::decode_all(packed.as_slice()).unwrap(), content);
        for at in 0..packed.len() {
            let mut flipped = packed.clone();
            flipped[at] ^= 1 << (at % 8);
            let found = unpack(flipped.as_slice(), flipped.len() as u64, &mut io::sink());
            assert!(!matches!(found, Ok(Some(_))), "byte {at}");
            assert_eq!(unpack_small(&flipped, 5000 * 4), None, "byte {at}");
        }
        for wrong in
            [&packed[..packed.len() - 1], &[packed.as_slice(), &[0]].concat(), &packed[..10], &[]]
        {
            assert!(!matches!(unpack(wrong, wrong.len() as u64, &mut io::sink()), Ok(Some(_))));
            assert_eq!(unpack_small(wrong, 5000 * 4), None);
        }
    }
}
