//! Whole numbers at a place in a header; `None` where the header ends before.

/// `N` bytes from `at`.
pub(super) fn array<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..)?.first_chunk().copied()
}

/// 16 bit.
pub(super) fn u16_at(bytes: &[u8], at: usize, big_endian: bool) -> Option<u16> {
    let found = array(bytes, at)?;
    Some(if big_endian { u16::from_be_bytes(found) } else { u16::from_le_bytes(found) })
}

/// 32 bit.
pub(super) fn u32_at(bytes: &[u8], at: usize, big_endian: bool) -> Option<u32> {
    let found = array(bytes, at)?;
    Some(if big_endian { u32::from_be_bytes(found) } else { u32::from_le_bytes(found) })
}

/// 64 bit, lowest byte first.
pub(super) fn u64_at(bytes: &[u8], at: usize) -> Option<u64> {
    array(bytes, at).map(u64::from_le_bytes)
}
