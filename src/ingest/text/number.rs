//! A number at the start of a text, fast where it is written plainly, exact always.

/// Largest whole number up to which f64 holds every whole number.
const EXACT: u64 = 1 << 53;
/// Powers of ten that f64 holds exactly.
const TENS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];
const WHOLE_TENS: [u64; 9] =
    [1, 10, 100, 1000, 10_000, 100_000, 1_000_000, 10_000_000, 100_000_000];

/// The number with which `text` begins, and its length in bytes; `None` where there is none.
///
/// Up to 2^53 with up to 22 decimals the digits and the power of ten are both exact in f64, so
/// that one multiplication or division rounds right (Clinger 1990); everything else goes to
/// `fast_float2`. Infinity and NaN are left for the caller to refuse.
#[inline]
pub(super) fn leading(text: &[u8]) -> Option<(f64, usize)> {
    plain(text).or_else(|| fast_float2::parse_partial(text).ok())
}

/// The same for numbers written plainly only; always finite.
#[inline(always)]
pub(super) fn plain(text: &[u8]) -> Option<(f64, usize)> {
    let negative = *text.first()? == b'-';
    let mut at = usize::from(negative);
    let (mut mantissa, whole) = digits(text, &mut at, (0, 0))?;
    let mut count = whole;
    if text.get(at) == Some(&b'.') {
        at += 1;
        (mantissa, count) = digits(text, &mut at, (mantissa, whole))?;
    }
    if count == 0 || mantissa > EXACT {
        return None;
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_possible_wrap)]
    let mut power = whole as i32 - count as i32;
    if matches!(text.get(at), Some(b'e' | b'E')) {
        let (sign, digits_at) = match text.get(at + 1)? {
            b'-' => (-1, at + 2),
            b'+' => (1, at + 2),
            _ => (1, at + 1),
        };
        let mut end = digits_at;
        let mut exponent = 0;
        while let Some(digit) = text.get(end).filter(|byte| byte.is_ascii_digit()) {
            exponent = exponent * 10 + i32::from(digit - b'0');
            end += 1;
            if end - digits_at > 4 {
                return None;
            }
        }
        if end == digits_at {
            return None;
        }
        power += sign * exponent;
        at = end;
    }
    // Beyond, marks of instruments for no value begin (9.9E+37).
    if power > 21 {
        return None;
    }
    let ten = TENS.get(power.unsigned_abs() as usize)?;
    let value = if power <= 0 { mantissa as f64 / ten } else { mantissa as f64 * ten };
    // The sign is as good as random: set its bit rather than branch on it.
    Some((f64::from_bits(value.to_bits() | (u64::from(negative) << 63)), at))
}

/// Appends the digits at `at` to a value of so many digits, eight at a time; gives both anew.
/// `None` near the end of the text or where there are over 18.
#[inline(always)]
fn digits(
    text: &[u8],
    at: &mut usize,
    (mut value, mut total): (u64, usize),
) -> Option<(u64, usize)> {
    loop {
        let chunk: [u8; 8] = *text.get(*at..)?.first_chunk()?;
        let bytes = u64::from_le_bytes(chunk) ^ 0x3030_3030_3030_3030;
        // A byte that is no digit now exceeds 9: adding 0x76 carries it into the top bit.
        let stops = (bytes.wrapping_add(0x7676_7676_7676_7676) | bytes) & 0x8080_8080_8080_8080;
        let count = (stops.trailing_zeros() / 8) as usize;
        if count == 0 {
            return Some((value, total));
        }
        // Digits to the high end, zeros before them; then pairs, fours, eight.
        let x = bytes << (64 - 8 * count);
        let x = x.wrapping_mul(10).wrapping_add(x >> 8);
        const MASK: u64 = 0x0000_00ff_0000_00ff;
        let high = (x & MASK).wrapping_mul(100 + (1_000_000 << 32));
        let low = ((x >> 16) & MASK).wrapping_mul(1 + (10_000 << 32));
        let part = high.wrapping_add(low) >> 32;
        total += count;
        // Over 18 digits the number goes elsewhere, and nothing has overflowed before.
        if total > 18 {
            return None;
        }
        value = value * WHOLE_TENS.get(count)? + part;
        *at += count;
        if count < 8 {
            return Some((value, total));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn agrees_with_the_standard_library_bit_for_bit() {
        let fixed = [
            "0",
            "-0",
            "1",
            "12.5",
            "-1.25e-3",
            "0.00000012345",
            "123456789012345678",
            "9007199254740993",
            "1e22",
            "1e23",
            "1.5E+03",
            "1.5E+003",
            "4.9e-324",
            "0.1",
            "12345678.12345678",
            ".5",
            "7.",
            "1e400",
            "3.141592653589793238",
            "00012.3400",
            "1e-22",
            "99999999",
            "999999999",
        ];
        let made = (0..20_000_u64).map(|k| {
            let bits = k.wrapping_mul(0x9e37_79b9_7f4a_7c15);
            match k % 3 {
                0 => format!("{:.5}", (bits % 2_000_000_000) as f64 / 1e5 - 1e4),
                1 => format!("{:e}", f64::from_bits(bits % (0x7fe << 52))),
                _ => format!("{:.7}", (bits % 100_000_000) as f64 * 1e-7),
            }
        });
        for text in fixed.into_iter().map(str::to_owned).chain(made) {
            let Ok(wanted) = text.parse::<f64>() else { panic!("{text}") };
            for behind in ["", ",1", "\n-3.25,7\n", "        "] {
                let whole = format!("{text}{behind}");
                let (value, length) = leading(whole.as_bytes()).unwrap();
                assert_eq!(value.to_bits(), wanted.to_bits(), "{whole:?}");
                assert_eq!(length, text.len(), "{whole:?}");
            }
        }
    }

    #[test]
    fn nothing_is_no_number() {
        for text in ["", "-", ".", "abc", ",1", "e5", "--1.0000000", "-e5 00000000"] {
            assert!(leading(text.as_bytes()).is_none(), "{text}");
        }
    }
}
