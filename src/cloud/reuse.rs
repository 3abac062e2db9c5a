//! Long lists whose memory is used again for the next tile.

/// A list with room for so many times as many items as are needed is given back: others may need the memory.
const MUCH_MORE: usize = 4;

/// Empties a list and makes room for `count` items, and no more; room that is never written to takes no memory.
pub fn empty_for<T>(list: &mut Vec<T>, count: usize) {
    if list.capacity() / MUCH_MORE > count {
        *list = Vec::new();
    }
    list.clear();
    list.reserve_exact(count);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_is_used_again_unless_far_less_is_needed() {
        let mut list = vec![7u8; 1000];
        for (count, capacity) in [(300, 1000), (1500, 1500), (400, 1500), (300, 300), (0, 0)] {
            empty_for(&mut list, count);
            assert_eq!((list.len(), list.capacity()), (0, capacity));
        }
    }
}
