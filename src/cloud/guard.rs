//! Calling a decoder that may panic on damaged data without the panic reaching anyone, and keeping from it what would
//! stop the whole program.

use std::any::Any;
use std::cell::Cell;
use std::io::{self, Read};
use std::panic::{self, AssertUnwindSafe};
use std::sync::Once;

thread_local! {
    /// Whether this thread is inside [`call`], whose panics are answers, not news.
    static GUARDED: Cell<bool> = const { Cell::new(false) };
}

/// Runs `work`; a panic comes back as its message. `work` and all that it changed must not be used after that.
pub(super) fn call<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let usual = panic::take_hook();
        panic::set_hook(Box::new(move |info| {
            if !GUARDED.get() {
                usual(info);
            }
        }));
    });
    GUARDED.set(true);
    let result = panic::catch_unwind(AssertUnwindSafe(work));
    GUARDED.set(false);
    result.map_err(|panic| message(panic.as_ref()))
}

/// Bytes of stack that a thread needs to decode points. The decoder of GPS times calls itself as long as the data tell
/// it to, some ten thousand times a byte at worst: with no more bytes in a row than [`WIPED`] allows this is enough.
pub const STACK: usize = 64 << 20;

/// Bytes of 0xFF in a row that no compressed points hold, but a wiped stretch of a disk does. They tell the decoder of
/// GPS times to call itself without end.
const WIPED: usize = 12;

/// Refuses compressed bytes with a wiped stretch in them. They begin behind the first point, with the first four
/// bytes of the coder; four of 0xFF are out of the coder's range, and as bad as a stretch.
pub(super) fn not_wiped(bytes: &[u8]) -> Result<(), String> {
    if bytes.starts_with(&[0xff; 4]) {
        return Err("its first bytes are wiped (0xFF)".into());
    }
    // Any stretch covers one of every `WIPED` bytes.
    for at in (WIPED - 1..bytes.len()).step_by(WIPED) {
        if bytes[at] != 0xff {
            continue;
        }
        let before = bytes[..at].iter().rev().take(WIPED).take_while(|byte| **byte == 0xff).count();
        let after = bytes[at + 1..].iter().take(WIPED).take_while(|byte| **byte == 0xff).count();
        if before + 1 + after >= WIPED {
            return Err(format!("its bytes around the {at}th are wiped (0xFF)"));
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
                return Ok(Err("a stretch of its bytes is wiped (0xFF)".into()));
            }
        }
    }
}

fn message(panic: &(dyn Any + Send)) -> String {
    match (panic.downcast_ref::<&str>(), panic.downcast_ref::<String>()) {
        (Some(text), _) => text.to_string(),
        (_, Some(text)) => text.clone(),
        _ => "for no stated reason".into(),
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_panic_becomes_its_message() {
        assert_eq!(super::call(|| 7), Ok(7));
        assert_eq!(super::call(|| -> u8 { panic!("no {}", "way") }), Err("no way".into()));
        assert_eq!(super::call(|| -> u8 { panic!("plain") }), Err("plain".into()));
    }
}
