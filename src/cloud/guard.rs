//! Calling a decoder that may panic on damaged data without the panic reaching anyone.

use std::any::Any;
use std::cell::Cell;
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
