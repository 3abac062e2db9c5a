//! Columns of whole numbers, packed: each number as so many steps above the least of its column, in as few whole bytes as
//! the greatest needs.
//!
//! Numbers that are all equal take no byte each; coordinates that a file states in whole millimetres are packed as
//! millimetres, without any option.

/// Bytes before the numbers: the least, the step, and the bytes of a number.
const HEAD: usize = 8 + 4 + 1;

/// Bytes that a number takes at the most.
const WIDEST: u8 = 7;

/// The step is sought among so many numbers, and then tried on all.
const TRIED: usize = 64;

/// Numbers of a column lie closer together than 2 to the power of this.
const SPAN_BITS: u32 = 8 * WIDEST as u32;

/// The least and the greatest number of a column, which must lie within 2^56 of each other.
pub type Span = (i64, i64);

/// Appends a column of numbers that lie within the span.
pub fn pack(values: impl ExactSizeIterator<Item = i64> + Clone, (low, high): Span, to: &mut Vec<u8>) {
    let span = high.wrapping_sub(low) as u64;
    debug_assert!(span < 1 << SPAN_BITS);
    let above = values.map(|value| value.wrapping_sub(low) as u64);
    let step = above.clone().take(TRIED).fold(0, greatest_divisor).try_into().unwrap_or(1).max(1);
    let start = to.len();
    if !pack_in_steps(low, step, span, above.clone(), to) {
        to.truncate(start);
        pack_in_steps(low, 1, span, above, to);
    }
}

/// Appends a column of numbers that lie whole steps above `low`; false if one does not.
fn pack_in_steps(
    low: i64,
    step: u32,
    span: u64,
    above: impl ExactSizeIterator<Item = u64>,
    to: &mut Vec<u8>,
) -> bool {
    let exact = ExactDivision::by(step);
    let width = (u64::BITS - (span / u64::from(step)).leading_zeros()).div_ceil(8) as usize;
    to.extend_from_slice(&low.to_le_bytes());
    to.extend_from_slice(&step.to_le_bytes());
    to.push(width as u8);
    let greatest = match width {
        0 => 0,
        1 => pack_bytes::<1>(above, exact, to),
        2 => pack_bytes::<2>(above, exact, to),
        3 => pack_bytes::<3>(above, exact, to),
        4 => pack_bytes::<4>(above, exact, to),
        5 => pack_bytes::<5>(above, exact, to),
        6 => pack_bytes::<6>(above, exact, to),
        _ => pack_bytes::<7>(above, exact, to),
    };
    greatest <= u64::MAX / u64::from(step)
}

/// Appends numbers in steps, `WIDTH` bytes each; gives the greatest of all.
fn pack_bytes<const WIDTH: usize>(
    above: impl ExactSizeIterator<Item = u64>,
    exact: ExactDivision,
    to: &mut Vec<u8>,
) -> u64 {
    let start = to.len();
    to.resize(start + above.len() * WIDTH, 0);
    let (places, _) = to[start..].as_chunks_mut::<WIDTH>();
    places.iter_mut().zip(above).fold(0, |greatest, (place, value)| {
        let steps = exact.divide(value);
        place.copy_from_slice(&steps.to_le_bytes()[..WIDTH]);
        greatest.max(steps)
    })
}

/// The greatest number that divides both.
fn greatest_divisor(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// Division of multiples by multiplying with the inverse modulo 2^64. What is no multiple of the divisor comes out above
/// 2^64 / divisor. Source: Granlund and Montgomery 1994, Division by invariant integers using multiplication, section 9
/// (citation not verified).
#[derive(Clone, Copy)]
struct ExactDivision {
    inverse: u64,
    twos: u32,
}

impl ExactDivision {
    fn by(divisor: u32) -> Self {
        let twos = divisor.trailing_zeros();
        let odd = u64::from(divisor >> twos);
        // Newton's iteration: each doubles the bits that are right, of which the first guess has three.
        let inverse =
            (0..5).fold(odd, |inverse, _| inverse.wrapping_mul(2u64.wrapping_sub(odd.wrapping_mul(inverse))));
        ExactDivision { inverse, twos }
    }

    #[inline]
    fn divide(self, value: u64) -> u64 {
        value.wrapping_mul(self.inverse).rotate_right(self.twos)
    }
}

/// A packed column, to be read.
#[derive(Clone, Copy)]
pub struct Column<'a> {
    low: i64,
    step: u64,
    width: u8,
    bytes: &'a [u8],
}

impl<'a> Column<'a> {
    /// Takes a column of `count` numbers from the front of `bytes`; nothing where they do not hold one.
    pub fn take(bytes: &mut &'a [u8], count: usize) -> Option<Self> {
        let (head, numbers) = bytes.split_at_checked(HEAD)?;
        let width = head[12];
        if width > WIDEST {
            return None;
        }
        let (numbers, rest) = numbers.split_at_checked(count.checked_mul(width.into())?)?;
        *bytes = rest;
        Some(Column {
            low: i64::from_le_bytes(head[..8].try_into().expect("eight bytes")),
            step: u32::from_le_bytes(head[8..12].try_into().expect("four bytes")).into(),
            width,
            bytes: numbers,
        })
    }

    /// Reads the numbers from the one at `first` on, as many as there is room for; they must be there.
    pub fn read(&self, first: usize, to: &mut [i64]) {
        match self.width {
            0 => to.fill(self.low),
            1 => self.read_bytes::<1>(first, to),
            2 => self.read_bytes::<2>(first, to),
            3 => self.read_bytes::<3>(first, to),
            4 => self.read_bytes::<4>(first, to),
            5 => self.read_bytes::<5>(first, to),
            6 => self.read_bytes::<6>(first, to),
            _ => self.read_bytes::<7>(first, to),
        }
    }

    /// One number.
    pub fn at(&self, place: usize) -> i64 {
        let mut number = [0];
        self.read(place, &mut number);
        number[0]
    }

    fn read_bytes<const WIDTH: usize>(&self, first: usize, to: &mut [i64]) {
        let (numbers, _) = self.bytes[first * WIDTH..].as_chunks::<WIDTH>();
        for (to, number) in to.iter_mut().zip(numbers) {
            let mut steps = [0; 8];
            steps[..WIDTH].copy_from_slice(number);
            *to = self.low.wrapping_add(u64::from_le_bytes(steps).wrapping_mul(self.step) as i64);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn packed(values: &[i64]) -> Vec<u8> {
        let mut bytes = Vec::new();
        let bound = |value: Option<&i64>| value.copied().unwrap_or(0);
        pack(values.iter().copied(), (bound(values.iter().min()), bound(values.iter().max())), &mut bytes);
        bytes
    }

    fn unpacked(bytes: &[u8], count: usize) -> Option<Vec<i64>> {
        let mut left = bytes;
        let column = Column::take(&mut left, count)?;
        assert!(left.is_empty());
        let mut numbers = vec![0; count];
        let (start, end) = numbers.split_at_mut(count / 3);
        column.read(0, start);
        column.read(start.len(), end);
        Some(numbers)
    }

    #[test]
    fn a_number_takes_as_few_bytes_as_the_span_and_the_step_allow() {
        let bytes_each = |values: &[i64]| (packed(values).len() - HEAD) / values.len();
        assert_eq!(bytes_each(&[7; 9]), 0);
        assert_eq!(bytes_each(&[-100, -99, 155]), 1);
        assert_eq!(bytes_each(&[-101, -100, 155]), 2);
        // Ten metres in whole millimetres, and with one coordinate between two of them.
        let millimetres: Vec<i64> = (0..10_000).map(|i| 5_400_000_000_000 + i * 1000).collect();
        assert_eq!(bytes_each(&millimetres), 2);
        let between = [&millimetres[..], &[5_400_000_000_001]].concat();
        assert_eq!(bytes_each(&between), 3);
        assert_eq!(unpacked(&packed(&between), between.len()).unwrap(), between);
    }

    proptest! {
        #[test]
        fn numbers_come_back_as_they_were(
            low in -1i64 << 53..1 << 53,
            step in prop_oneof![Just(1i64), 1..5000i64, Just(1 << 20), Just(304_800)],
            steps in proptest::collection::vec(prop_oneof![0..3i64, 0..70_000i64, 0..1i64 << 30], 0..200),
            odd in proptest::option::of((any::<proptest::sample::Index>(), 0..5000i64)),
        ) {
            let mut values: Vec<i64> = steps.iter().map(|n| low + n * step).collect();
            if let (Some((at, more)), false) = (odd, values.is_empty()) {
                *at.get_mut(&mut values) += more;
            }
            prop_assert_eq!(unpacked(&packed(&values), values.len()).unwrap(), values);
        }

        #[test]
        fn bytes_that_are_no_column_are_refused_or_read_but_never_panic(
            bytes in proptest::collection::vec(any::<u8>(), 0..60), count in 0usize..9,
        ) {
            if let Some(column) = Column::take(&mut bytes.as_slice(), count) {
                column.read(0, &mut vec![0; count]);
            }
        }
    }
}
