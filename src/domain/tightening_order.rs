//! In which order several fasteners of one joint are tightened, so that it closes evenly. Common practice, no source.
use super::words::Pattern;

/// The places of the fasteners, from 1 on, in the order in which they are tightened; each exactly once.
///
/// - `star`: they stand in a circle and are counted around it; each next one is about opposite the one before.
/// - `cross`: they stand in two rows, counted along the first and then along the second; each next one is across in another
///   column, from the middle outward, in two rounds. With an odd count the second row is one short at its end.
/// - `sequence`: as they are counted.
///
/// In a star or a cross of five or more no two neighbors follow each other.
#[must_use]
pub fn order(pattern: Pattern, count: u32) -> Vec<u32> {
    match pattern {
        Pattern::Star => star(count),
        Pattern::Cross => cross(count),
        Pattern::Sequence => (1..=count).collect(),
    }
}

fn star(count: u32) -> Vec<u32> {
    // Half around, and one further after each full round: with an odd count half a step more or less does both.
    let half = count.div_ceil(2);
    (0..count).map(|turn| turn / 2 + turn % 2 * half + 1).collect()
}

/// How many columns the two rows of a cross have.
#[must_use]
pub const fn columns(count: u32) -> u32 {
    count.div_ceil(2)
}

fn cross(count: u32) -> Vec<u32> {
    let columns = columns(count);
    let mut outward: Vec<u32> = (0..columns).collect();
    outward.sort_by_key(|column| ((2 * column + 1).abs_diff(columns), *column));
    let mut order = Vec::new();
    for round in 0..2 {
        // The row changes with every column, and the second round takes what the first left out.
        let rows = (round..).map(|turn| turn % 2);
        order.extend(outward.iter().zip(rows).map(|(column, row)| row * columns + column + 1));
    }
    order.retain(|place| *place <= count);
    order
}

/// An order in words: `1, 4, 2, 5, 3`.
#[must_use]
pub fn in_words(order: &[u32]) -> String {
    order.iter().map(u32::to_string).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn neighbors(pattern: Pattern, count: u32, a: u32, b: u32) -> bool {
        if pattern == Pattern::Star {
            let apart = a.abs_diff(b);
            return apart == 1 || apart == count - 1;
        }
        let place = |one: u32| ((one - 1) / columns(count), (one - 1) % columns(count));
        let ((row_a, column_a), (row_b, column_b)) = (place(a), place(b));
        row_a.abs_diff(row_b) + column_a.abs_diff(column_b) == 1
    }

    #[test]
    fn each_comes_exactly_once() {
        for &pattern in Pattern::ALL {
            for count in 0..=100 {
                let mut order = order(pattern, count);
                order.sort_unstable();
                assert_eq!(order, (1..=count).collect::<Vec<_>>(), "{pattern} {count}");
            }
        }
    }

    #[test]
    fn no_two_neighbors_follow_each_other() {
        for pattern in [Pattern::Star, Pattern::Cross] {
            for count in 5..=100 {
                let order = order(pattern, count);
                for pair in order.windows(2) {
                    assert!(!neighbors(pattern, count, pair[0], pair[1]), "{pattern} {count}: {order:?}");
                }
            }
        }
    }

    #[test]
    fn in_a_star_each_next_one_is_about_opposite() {
        for count in 2..=100_u32 {
            for pair in order(Pattern::Star, count).windows(2) {
                let apart = pair[0].abs_diff(pair[1]);
                let around = apart.min(count - apart);
                assert!(around + 1 >= count / 2, "{count}: {pair:?}");
            }
        }
    }

    #[test]
    fn a_cross_of_four_goes_over_the_corners_and_a_longer_one_from_the_middle_outward() {
        assert_eq!(order(Pattern::Cross, 4), [1, 4, 3, 2]);
        assert_eq!(order(Pattern::Cross, 6), [2, 4, 3, 5, 1, 6]);
        assert_eq!(order(Pattern::Cross, 10), [3, 7, 4, 6, 5, 8, 2, 9, 1, 10]);
    }

    #[test]
    fn the_words_are_the_order() {
        assert_eq!(in_words(&order(Pattern::Star, 5)), "1, 4, 2, 5, 3");
        assert_eq!(in_words(&order(Pattern::Star, 6)), "1, 4, 2, 5, 3, 6");
        assert_eq!(in_words(&order(Pattern::Star, 4)), "1, 3, 2, 4");
        assert_eq!(in_words(&order(Pattern::Sequence, 3)), "1, 2, 3");
    }
}
