//! Calling work that may panic (a decoder on damaged data, a worker with a mistake in it) so that the panic comes
//! back as a message.

use std::any::Any;
use std::cell::{Cell, RefCell};
use std::panic::{self, AssertUnwindSafe};
use std::sync::Once;

thread_local! {
    /// Whether this thread is inside [`call`], whose panics are answers, not news.
    static GUARDED: Cell<bool> = const { Cell::new(false) };
    /// Where in the program the last panic inside [`call`] was.
    static PLACE: RefCell<String> = const { RefCell::new(String::new()) };
}

/// Runs `work`; a panic comes back as its message. `work` and all that it changed must not be used after that.
pub fn call<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let usual = panic::take_hook();
        panic::set_hook(Box::new(move |info| {
            if !GUARDED.get() {
                usual(info);
            } else if let Some(place) = info.location() {
                PLACE.set(format!("{}:{}", place.file(), place.line()));
            }
        }));
    });
    let outer = GUARDED.replace(true);
    let result = panic::catch_unwind(AssertUnwindSafe(work));
    GUARDED.set(outer);
    result.map_err(|panic| message(panic.as_ref()))
}

/// Like [`call`], for a panic that is a mistake in the program: the message says where in the program it was.
pub fn call_and_locate<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    call(work).map_err(|message| format!("{message} ({})", PLACE.take()))
}

fn message(panic: &(dyn Any + Send)) -> String {
    match (panic.downcast_ref::<&str>(), panic.downcast_ref::<String>()) {
        (Some(text), _) => text.to_string(),
        (_, Some(text)) => text.clone(),
        _ => "no message".into(),
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn a_panic_becomes_its_message() {
        assert_eq!(super::call(|| 7), Ok(7));
        assert_eq!(super::call(|| -> u8 { panic!("no {}", "way") }), Err("no way".into()));
        assert_eq!(super::call(|| -> u8 { panic!("plain") }), Err("plain".into()));
        let nested = super::call_and_locate(|| {
            let _ = super::call(|| panic!("inner"));
            panic!("outer")
        });
        assert!(nested.is_err_and(|m: String| m.starts_with("outer (") && m.contains("guard.rs:")));
    }
}
