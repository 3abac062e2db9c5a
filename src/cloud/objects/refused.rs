//! What a store says where it does not give what is asked.

use object_store::Error;

use crate::cloud::address::without_secrets;
use crate::cloud::objects::error::ObjectError;

/// Characters of a message at the most: some servers answer with a page.
const LONGEST: usize = 400;

/// What to do where a connection fails.
pub const AGAIN: &str = "Check the connection and the address, then run again";

/// What a store says, in words and with a remedy.
pub fn refused(error: Error) -> ObjectError {
    let (what, remedy) = match &error {
        Error::Precondition { .. } => return ObjectError::Changed,
        Error::NotFound { .. } => ("there is no such object".to_string(), "Check the address"),
        Error::PermissionDenied { .. } => (
            "the store refuses access".to_string(),
            "Check the credentials in the environment (AWS_…), or have the address signed again: signatures run out",
        ),
        Error::Unauthenticated { .. } => (
            "the store asks for credentials".to_string(),
            "Give them in the environment (AWS_ACCESS_KEY_ID, AWS_SECRET_ACCESS_KEY), or use an address that is signed",
        ),
        Error::NotSupported { .. } => (
            "the server sends whole objects only, not ranges of bytes".to_string(),
            "Download the file and name it",
        ),
        other => (plain(other), AGAIN),
    };
    ObjectError::Refused { what, remedy }
}

/// An error with its causes in one line, without secrets.
pub fn plain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(below) = cause {
        let below_text = below.to_string();
        if !text.contains(&below_text) {
            text = format!("{text}: {below_text}");
        }
        cause = below.source();
    }
    let text = without_secrets(&text).into_owned();
    let line = text.split_whitespace().collect::<Vec<_>>().join(" ");
    match line.char_indices().nth(LONGEST) {
        Some((at, _)) => format!("{}…", &line[..at]),
        None => line,
    }
}
