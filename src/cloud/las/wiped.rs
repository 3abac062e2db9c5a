//! Keeping wiped stretches of a disk from the decoder: they would stop the whole program, not only the decoder.

use std::io::{self, Read};

/// Bytes of stack that a thread needs to decode points. The decoder of GPS times calls itself as long as the data tell
/// it to, some ten thousand times a byte at worst: with no more bytes in a row than `WIPED` allows this is enough.
pub const STACK: usize = 64 << 20;

/// Bytes of 0xFF in a row that no compressed points hold, but a wiped stretch of a disk does. They tell the decoder of
/// GPS times to call itself without end.
const WIPED: usize = 12;

/// Refuses compressed bytes with a wiped stretch in them. They begin behind the first point, with the first four
/// bytes of the coder; four of 0xFF are out of the coder's range, and as bad as a stretch.
pub(super) fn not_wiped(bytes: &[u8]) -> Result<(), String> {
    if bytes.starts_with(&[0xff; 4]) {
        return Err("its first bytes are overwritten with 0xFF".into());
    }
    // Any stretch covers one of every `WIPED` bytes.
    for at in (WIPED - 1..bytes.len()).step_by(WIPED) {
        if bytes[at] != 0xff {
            continue;
        }
        let before = bytes[..at].iter().rev().take(WIPED).take_while(|byte| **byte == 0xff).count();
        let after = bytes[at + 1..].iter().take(WIPED).take_while(|byte| **byte == 0xff).count();
        if before + 1 + after >= WIPED {
            return Err(format!("its bytes around number {at} are overwritten with 0xFF"));
        }
    }
    Ok(())
}

/// As [`not_wiped`], for bytes too many to hold.
///
/// # Errors
/// When they cannot be read.
pub(super) fn not_wiped_stream(mut from: impl Read) -> io::Result<Result<(), String>> {
    let mut buffer = [0u8; 1 << 16];
    let (mut first, mut run) = (Vec::with_capacity(4), 0);
    loop {
        let count = from.read(&mut buffer)?;
        if count == 0 {
            return Ok(Ok(()));
        }
        for byte in &buffer[..count] {
            run = if *byte == 0xff { run + 1 } else { 0 };
            if first.len() < 4 {
                first.push(*byte);
            }
            if run >= WIPED || first == [0xff; 4] {
                return Ok(Err("a run of its bytes is overwritten with 0xFF".into()));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stretch_is_found_wherever_it_lies_and_shorter_ones_pass() {
        for from in 1..40 {
            for length in 1..30 {
                let mut bytes = vec![7; 80];
                bytes[from..from + length].fill(0xff);
                let wiped = length >= WIPED;
                assert_eq!(not_wiped(&bytes).is_err(), wiped, "{length} from {from}");
                assert_eq!(
                    not_wiped_stream(bytes.as_slice()).unwrap().is_err(),
                    wiped,
                    "{length} from {from}"
                );
            }
        }
        let start = [0xff, 0xff, 0xff, 0xff, 1, 2];
        assert!(not_wiped(&start).is_err() && not_wiped_stream(start.as_slice()).unwrap().is_err());
        assert!(not_wiped(&start[1..]).is_ok() && not_wiped_stream(&start[1..]).unwrap().is_ok());
        assert!(not_wiped(&[]).is_ok());
    }
}
