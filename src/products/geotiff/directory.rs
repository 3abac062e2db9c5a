//! Directories of a TIFF file, each with what its tags hold right after it; of files beyond 4 GiB with offsets of eight bytes.

use std::collections::BTreeMap;
use std::io::{self, Write};

/// What a tag holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// ASCII, other characters as UTF-8.
    Text(String),
    /// 16-bit whole numbers.
    Shorts(Vec<u16>),
    /// 32-bit whole numbers.
    Longs(Vec<u32>),
    /// Places in the file.
    Offsets(Vec<u64>),
    /// Numbers.
    Doubles(Vec<f64>),
}

/// Tags and what they hold.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Directory {
    tags: BTreeMap<u16, Value>,
}

impl Directory {
    /// Sets a tag.
    pub fn set(&mut self, tag: u16, value: Value) {
        self.tags.insert(tag, value);
    }

    /// Bytes of the directory itself.
    fn length(&self, large: bool) -> u64 {
        let tags = self.tags.len() as u64;
        if large { 8 + 20 * tags + 8 } else { 2 + 12 * tags + 4 }
    }

    /// Bytes of the directory and of what its tags hold.
    fn whole(&self, large: bool) -> u64 {
        let outside = |value: &Value| {
            let bytes = value.bytes(large).len() as u64;
            if bytes > inline(large) { even(bytes) } else { 0 }
        };
        even(self.length(large)) + self.tags.values().map(outside).sum::<u64>()
    }
}

impl Value {
    /// TIFF's number of the type, and how many there are.
    fn kind(&self, large: bool) -> (u16, u64) {
        match self {
            Value::Text(text) => (2, text.len() as u64 + 1),
            Value::Shorts(all) => (3, all.len() as u64),
            Value::Longs(all) => (4, all.len() as u64),
            Value::Offsets(all) => (if large { 16 } else { 4 }, all.len() as u64),
            Value::Doubles(all) => (12, all.len() as u64),
        }
    }

    fn bytes(&self, large: bool) -> Vec<u8> {
        match self {
            Value::Text(text) => [text.as_bytes(), &[0]].concat(),
            Value::Shorts(all) => all.iter().flat_map(|one| one.to_le_bytes()).collect(),
            Value::Longs(all) => all.iter().flat_map(|one| one.to_le_bytes()).collect(),
            Value::Offsets(all) if large => all.iter().flat_map(|one| one.to_le_bytes()).collect(),
            Value::Offsets(all) => all.iter().flat_map(|one| (*one as u32).to_le_bytes()).collect(),
            Value::Doubles(all) => all.iter().flat_map(|one| one.to_le_bytes()).collect(),
        }
    }
}

/// Bytes that stand in the directory itself.
fn inline(large: bool) -> u64 {
    if large { 8 } else { 4 }
}

fn even(bytes: u64) -> u64 {
    bytes.next_multiple_of(8)
}

fn head(large: bool, extra: usize) -> u64 {
    even(if large { 16 } else { 8 } + extra as u64)
}

/// Bytes of the head of a file, with so many more after it, and of the directories: where the blocks begin.
pub fn bytes_of(directories: &[Directory], large: bool, extra: usize) -> u64 {
    head(large, extra) + directories.iter().map(|directory| directory.whole(large)).sum::<u64>()
}

/// Writes the head of a file, `extra`, and the directories.
pub fn write(directories: &[Directory], large: bool, extra: &str, file: &mut impl Write) -> io::Result<()> {
    let word = |value: u64| -> Vec<u8> {
        if large { value.to_le_bytes().to_vec() } else { (value as u32).to_le_bytes().to_vec() }
    };
    let mut at = head(large, extra.len());
    let mut bytes = b"II".to_vec();
    bytes.extend(if large { &[43u8, 0, 8, 0, 0, 0][..] } else { &[42, 0] });
    bytes.extend(word(at));
    bytes.extend(extra.as_bytes());
    bytes.resize(at as usize, 0);
    for (i, directory) in directories.iter().enumerate() {
        let after = at + directory.whole(large);
        let mut outside = Vec::new();
        let mut place = at + even(directory.length(large));
        match large {
            true => bytes.extend((directory.tags.len() as u64).to_le_bytes()),
            false => bytes.extend((directory.tags.len() as u16).to_le_bytes()),
        }
        for (tag, value) in &directory.tags {
            let ((kind, count), mut held) = (value.kind(large), value.bytes(large));
            bytes.extend(tag.to_le_bytes());
            bytes.extend(kind.to_le_bytes());
            bytes.extend(word(count));
            if held.len() as u64 <= inline(large) {
                held.resize(inline(large) as usize, 0);
                bytes.extend(held);
            } else {
                bytes.extend(word(place));
                held.resize(even(held.len() as u64) as usize, 0);
                place += held.len() as u64;
                outside.extend(held);
            }
        }
        bytes.extend(word(if i + 1 < directories.len() { after } else { 0 }));
        bytes.resize((at + even(directory.length(large))) as usize, 0);
        bytes.extend(outside);
        at = after;
    }
    file.write_all(&bytes)
}
