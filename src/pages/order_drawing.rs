//! The order in which the fasteners of a joint are tightened, as a small drawing with its words.
use std::fmt::Write;

use crate::domain::{
    fastener::Fastener,
    tightening_order::{columns, in_words, order},
    words::Pattern,
};

/// More fasteners than these are told in words alone: their numbers would touch.
const MOST: u32 = 24;
/// From one fastener of a row to the next, and the space around, in units of the drawing (CSS pixels).
const STEP: f64 = 34.0;
const MARGIN: f64 = 18.0;

/// The fasteners of a joint as they stand, with the way from each to the next.
#[derive(Clone, Debug)]
pub struct OrderDrawing {
    /// The order in words, and how they are counted.
    pub words: String,
    /// In CSS pixels.
    pub width: String,
    /// In CSS pixels.
    pub height: String,
    /// The way from each to the next, as a path.
    pub way: String,
    /// Each with its number: x, y, number.
    pub places: Vec<(String, String, u32)>,
}

impl OrderDrawing {
    /// The drawing; `None` for a fastener without a pattern, and for one or two. Where there are too many to draw, only the words.
    #[must_use]
    pub fn of(fastener: &Fastener) -> Option<Self> {
        let pattern = fastener.pattern.filter(|_| fastener.count > 2)?;
        let order = order(pattern, fastener.count);
        let words = words(pattern, &order, fastener.stages.len());
        if fastener.count > MOST {
            return Some(Self { words, width: String::new(), height: String::new(), way: String::new(), places: Vec::new() });
        }
        let places = places(pattern, fastener.count);
        let reach = |pick: fn(&(f64, f64)) -> f64| places.iter().map(pick).fold(0.0, f64::max) + MARGIN;
        let on_way = order.iter().filter_map(|number| places.get(usize::try_from(number - 1).ok()?));
        let way = on_way.enumerate().fold(String::new(), |mut way, (turn, (x, y))| {
            let _ = write!(way, "{}{x:.0} {y:.0}", if turn == 0 { "M" } else { "L" });
            way
        });
        let numbered = places.iter().zip(1..).map(|((x, y), number)| (format!("{x:.0}"), format!("{y:.0}"), number));
        Some(Self {
            words,
            width: format!("{:.0}", reach(|(x, _)| *x)),
            height: format!("{:.0}", reach(|(_, y)| *y)),
            way,
            places: numbered.collect(),
        })
    }
}

fn words(pattern: Pattern, order: &[u32], stages: usize) -> String {
    let counted = match pattern {
        Pattern::Star => "counted clockwise from any of them",
        Pattern::Cross => "counted along one row, then along the other from the same end",
        Pattern::Sequence => "as they are numbered in the manual",
    };
    let each = if stages > 1 { "; every stage in this order" } else { "" };
    format!("Tighten in the order {}, {counted}{each}.", in_words(order))
}

/// Where each stands.
fn places(pattern: Pattern, count: u32) -> Vec<(f64, f64)> {
    if pattern == Pattern::Star {
        let around = f64::from(count);
        // Neighbors stand a step apart on the circle.
        let radius = (STEP * around / std::f64::consts::TAU).max(STEP);
        let place = |number: u32| {
            let angle = std::f64::consts::TAU * f64::from(number) / around;
            (MARGIN + radius + radius * angle.sin(), MARGIN + radius - radius * angle.cos())
        };
        return (0..count).map(place).collect();
    }
    // A sequence stands in rows of six, so that it fits on a phone.
    let row = if pattern == Pattern::Cross { columns(count) } else { count.min(6) };
    (0..count).map(|number| (MARGIN + STEP * f64::from(number % row), MARGIN + STEP * f64::from(number / row))).collect()
}

#[cfg(test)]
mod tests {
    use serde_json::json;
    use time::OffsetDateTime;

    use super::*;
    use crate::domain::id::Id;

    fn drawn(pattern: &str, count: u32) -> Option<OrderDrawing> {
        let new = json!({"key": "disc_bolt", "name": "Disc bolt", "component": "brake_disc", "count": count, "pattern": pattern});
        let id = Id::new(uuid::Uuid::from_u128(1));
        OrderDrawing::of(&Fastener::from_new(id, serde_json::from_value(new).unwrap(), OffsetDateTime::UNIX_EPOCH))
    }

    #[test]
    fn no_two_touch_and_all_fit_on_a_phone() {
        for pattern in ["star", "cross", "sequence"] {
            for count in 3..=MOST {
                let drawing = drawn(pattern, count).unwrap();
                let places: Vec<(f64, f64)> = drawing.places.iter().map(|(x, y, _)| (x.parse().unwrap(), y.parse().unwrap())).collect();
                assert_eq!(u32::try_from(places.len()).unwrap(), count);
                for (at, a) in places.iter().enumerate() {
                    assert!(places[..at].iter().all(|b| (a.0 - b.0).hypot(a.1 - b.1) > 26.0), "{pattern} {count}");
                }
                let (width, height): (f64, f64) = (drawing.width.parse().unwrap(), drawing.height.parse().unwrap());
                let wide = if pattern == "cross" { 450.0 } else { 320.0 };
                assert!(width <= wide && height <= 320.0, "{pattern} {count}: {width} × {height}");
                assert_eq!(drawing.way.matches('L').count() + 1, places.len());
            }
        }
    }

    #[test]
    fn the_way_goes_from_each_to_the_next() {
        let drawing = drawn("cross", 4).unwrap();
        assert_eq!(drawing.way, "M18 18L52 52L18 52L52 18");
        assert_eq!(drawing.words, "Tighten in the order 1, 4, 3, 2, counted along one row, then along the other from the same end.");
    }

    #[test]
    fn one_or_two_have_no_order_and_very_many_have_words_alone() {
        assert!(drawn("star", 1).is_none() && drawn("sequence", 2).is_none());
        let many = drawn("star", 25).unwrap();
        assert!(many.places.is_empty() && many.words.contains("1, 14, 2, 15"), "{}", many.words);
    }
}
