//! Text brought to lines of UTF-8 that end in a line feed, where it is not so already: UTF-16,
//! lone carriage returns, and values that stand in one long line or run on over several.

use crate::ingest::{IngestError, Limits, Source};

/// How the bytes of a file stand for text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Encoding {
    /// One byte a character where it matters: ASCII, UTF-8, Latin-1, Shift-JIS.
    Bytes,
    /// UTF-16, and whether the high byte comes first.
    Utf16 {
        /// The high byte comes first.
        big_endian: bool,
    },
}

/// What the first bytes show.
pub(super) fn detect(head: &[u8]) -> Encoding {
    if head.starts_with(&[0xff, 0xfe]) {
        return Encoding::Utf16 { big_endian: false };
    }
    if head.starts_with(&[0xfe, 0xff]) {
        return Encoding::Utf16 { big_endian: true };
    }
    Encoding::Bytes
}

/// Whether lines end in a carriage return alone.
pub(super) fn lone_returns(head: &[u8]) -> bool {
    memchr::memchr(b'\n', head).is_none() && memchr::memchr(b'\r', head).is_some()
}

fn failed(source: &Source, error: std::io::Error) -> IngestError {
    IngestError::Io { file: source.name().to_owned(), what: "can't convert", source: error }
}

/// Bytes read at once.
const CHUNK: usize = 1 << 16;

/// UTF-16 as UTF-8.
///
/// # Errors
/// Where it can't be read or kept.
pub(super) fn from_utf16(
    source: &Source,
    big_endian: bool,
    limits: &Limits,
) -> Result<Source, IngestError> {
    source.derived(limits, |out| {
        let (mut at, mut buffer, mut high) = (2, Vec::new(), None::<u16>);
        while at < source.length() {
            source.read(at, CHUNK, &mut buffer)?;
            at += buffer.len() as u64;
            let (pairs, _) = buffer.as_chunks::<2>();
            let units = high.take().into_iter().chain(pairs.iter().map(|pair| {
                if big_endian { u16::from_be_bytes(*pair) } else { u16::from_le_bytes(*pair) }
            }));
            let mut text = String::with_capacity(CHUNK);
            for decoded in char::decode_utf16(units) {
                match decoded {
                    Ok(c) => text.push(c),
                    // Half a character at the end of the chunk, or a damaged one.
                    Err(error) => high = Some(error.unpaired_surrogate()),
                }
            }
            out.write_all(text.as_bytes()).map_err(|error| failed(source, error))?;
        }
        Ok(())
    })
}

/// Every byte `from` as a line end. `keep` bytes at the start stay as they are.
///
/// # Errors
/// Where it can't be read or kept.
pub(super) fn to_lines(
    source: &Source,
    keep: u64,
    from: impl Fn(u8) -> bool,
    limits: &Limits,
) -> Result<Source, IngestError> {
    source.derived(limits, |out| {
        let (mut at, mut buffer) = (0, Vec::new());
        while at < source.length() {
            let wanted = if at < keep {
                usize::try_from(keep - at).unwrap_or(CHUNK).min(CHUNK)
            } else {
                CHUNK
            };
            source.read(at, wanted, &mut buffer)?;
            if at >= keep {
                buffer.iter_mut().filter(|byte| from(**byte)).for_each(|byte| *byte = b'\n');
            }
            at += buffer.len() as u64;
            out.write_all(&buffer).map_err(|error| failed(source, error))?;
        }
        Ok(())
    })
}

/// UTF-8, or else Latin-1, in which older instruments write their unit signs; those of Shift-JIS
/// are known too.
pub(crate) fn decode(bytes: &[u8]) -> String {
    match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        Err(error) if error.error_len().is_none() => {
            // Only the last character is cut off.
            String::from_utf8_lossy(bytes).into_owned()
        }
        Err(_) => {
            let latin: String = bytes.iter().map(|byte| char::from(*byte)).collect();
            latin
                .replace("\u{83}\u{ca}", "µ")
                .replace("\u{83}\u{b6}", "Ω")
                .replace("\u{81}\u{8b}", "°")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::path::Path;

    fn all(source: &Source) -> String {
        let mut bytes = Vec::new();
        source.read(0, 1 << 20, &mut bytes).unwrap();
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn utf_16_of_either_order() {
        let text = "t (µs),U\n1,2\n𝄞\n";
        for big_endian in [false, true] {
            let mut bytes = if big_endian { vec![0xfe, 0xff] } else { vec![0xff, 0xfe] };
            for unit in text.encode_utf16() {
                bytes.extend(if big_endian { unit.to_be_bytes() } else { unit.to_le_bytes() });
            }
            assert_eq!(detect(&bytes), Encoding::Utf16 { big_endian });
            let source = Source::memory(Path::new("a"), bytes).unwrap();
            let made = from_utf16(&source, big_endian, &Limits::default()).unwrap();
            assert_eq!(all(&made), text);
        }
    }

    #[test]
    fn lines_are_made() {
        let source = Source::memory(Path::new("a"), b"n,3\r1,2,3".to_vec()).unwrap();
        let made = to_lines(&source, 4, |byte| byte == b',', &Limits::default()).unwrap();
        assert_eq!(all(&made), "n,3\r1\n2\n3");
        assert!(lone_returns(b"a\rb\r") && !lone_returns(b"a\r\nb"));
        assert_eq!(decode(b"\x83\xca s"), "µ s");
        assert_eq!(decode(b"\xb5s"), "µs");
    }
}
