//! Breaking files at random, the same way each time.

/// A stream of numbers that a seed decides (SplitMix64).
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Self {
        Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15))
    }

    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub fn below(&mut self, end: usize) -> usize {
        (self.next() % end.max(1) as u64) as usize
    }
}

/// Fields of the header that decide how a file is read: offset and length.
const FIELDS: [(usize, usize); 27] = [
    (6, 2),
    (24, 1),
    (25, 1),
    (94, 2),
    (96, 4),
    (100, 4),
    (104, 1),
    (105, 2),
    (107, 4),
    (111, 4),
    (131, 8),
    (139, 8),
    (147, 8),
    (155, 8),
    (163, 8),
    (171, 8),
    (179, 8),
    (187, 8),
    (195, 8),
    (203, 8),
    (211, 8),
    (219, 8),
    (227, 8),
    (235, 8),
    (243, 4),
    (247, 8),
    (255, 8),
];

const NUMBERS: [u64; 16] = [
    0,
    1,
    2,
    3,
    20,
    100,
    0x7f,
    0xff,
    0x7fff,
    0xffff,
    0x7fff_ffff,
    0xffff_ffff,
    1 << 40,
    i64::MAX as u64,
    u64::MAX - 1,
    u64::MAX,
];

const FLOATS: [f64; 12] =
    [0.0, -0.0, 1.0, -0.001, 1e-12, 100.0, 1e6, 1e300, f64::MIN_POSITIVE, f64::NAN, f64::INFINITY, -1e18];

/// A copy of `whole` broken in one to four ways; `others` lend pieces.
pub fn mutate(whole: &[u8], others: &[Vec<u8>], random: &mut Random) -> Vec<u8> {
    let mut bytes = whole.to_vec();
    for _ in 0..=random.below(4).min(random.below(4)) {
        once(&mut bytes, others, random);
    }
    bytes
}

fn once(bytes: &mut Vec<u8>, others: &[Vec<u8>], random: &mut Random) {
    if bytes.is_empty() {
        return;
    }
    let at = place(bytes, random);
    let run = 1 + random.below(64);
    match random.below(12) {
        0 | 1 => bytes[at] ^= 1 << random.below(8),
        2 => bytes[at] = [0, 1, 0x7f, 0x80, 0xfe, 0xff, random.next() as u8][random.below(7)],
        3..=5 => lie(bytes, random),
        6 => bytes.truncate(at),
        7 => drop(bytes.splice(at..at, (0..run).map(|_| random.next() as u8).collect::<Vec<_>>())),
        8 => drop(bytes.drain(at..(at + run).min(bytes.len()))),
        9 => {
            let (a, b) = (at.min(bytes.len() / 2), bytes.len() / 2 + random.below(bytes.len() / 2));
            let length = run.min(bytes.len() - b).min(b - a);
            (0..length).for_each(|i| bytes.swap(a + i, b + i));
        }
        10 => {
            let fill = [0x00, 0xff, 0xaa][random.below(3)];
            let length = if random.below(4) == 0 { bytes.len() } else { run };
            let end = (at + length).min(bytes.len());
            bytes[at..end].fill(fill);
        }
        _ => {
            let other = &others[random.below(others.len())];
            let from = random.below(other.len());
            let piece = &other[from..(from + run).min(other.len())];
            let end = (at + piece.len()).min(bytes.len());
            bytes[at..end].copy_from_slice(&piece[..end - at]);
        }
    }
}

/// A place to break: anywhere, or where the file says how to read it.
fn place(bytes: &[u8], random: &mut Random) -> usize {
    let (anywhere, word) = (random.below(bytes.len()), word(bytes, 96) as usize);
    let near = match random.below(4) {
        // The records before the points, and the place of the table.
        0 if word > 227 => 227 + random.below(word - 227 + 8),
        // The first chunk and its head.
        1 => word.saturating_add(random.below(200)),
        // The table of the chunks, or the last points.
        2 => bytes.len() - 1 - random.below(bytes.len().min(40)),
        _ => anywhere,
    };
    if near < bytes.len() { near } else { anywhere }
}

fn word(bytes: &[u8], at: usize) -> u32 {
    bytes.get(at..at + 4).map_or(0, |word| u32::from_le_bytes(word.try_into().unwrap()))
}

/// Makes a field of the header say something else.
fn lie(bytes: &mut [u8], random: &mut Random) {
    let (at, length) = FIELDS[random.below(FIELDS.len())];
    let new = match random.below(4) {
        0 if length == 8 => FLOATS[random.below(FLOATS.len())].to_bits(),
        1 => bytes.len() as u64 + random.below(3) as u64 - 1,
        2 => u64::from(word(bytes, at)).wrapping_add(random.below(5) as u64).wrapping_sub(2),
        _ => NUMBERS[random.below(NUMBERS.len())],
    };
    if at + length <= bytes.len() {
        bytes[at..at + length].copy_from_slice(&new.to_le_bytes()[..length]);
    }
}

/// A LAZ file of one chunk as one without chunks and their table.
pub fn unchunked(laz: &[u8]) -> Vec<u8> {
    let offset = word(laz, 96) as usize;
    let table = word(laz, offset) as usize;
    let mut bytes = [&laz[..offset], &laz[offset + 8..table]].concat();
    // The only record is the one that says how the points are compressed.
    let record = usize::from(u16::from_le_bytes([laz[94], laz[95]])) + 54;
    bytes[record] = 1;
    bytes
}
