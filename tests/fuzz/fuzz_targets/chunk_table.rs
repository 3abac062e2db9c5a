#![no_main]

#[path = "../../common/files.rs"]
mod files;
#[path = "../../common/fuzzed.rs"]
mod fuzzed;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| fuzzed::chunk_table(bytes));
