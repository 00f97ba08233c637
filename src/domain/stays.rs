//! Which part sat where, and when: the stays of parts on motorcycles.
//!
//! A stay ends where the part is taken off by name, or where another part of its component takes its position. Only the first is
//! something that was entered; the second is worked out from all stays together, so the order in which history is entered never
//! changes the answer.
use time::Date;

use super::{
    id::Id,
    motorcycle::Motorcycle,
    part::{Fitting, InstalledPart},
    words::Position,
};

/// When something happened on a motorcycle. Several things on one day are ordered by distance, then as they were entered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct When {
    /// The day.
    pub on: Date,
    /// The true distance, where it is known.
    pub ticks: Option<i64>,
    /// The order of entry: the id of the service event, or of the entry itself, as a number.
    pub order: u128,
}

/// How a stay ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// The part was taken off by name.
    TakenOff(When),
    /// Another part took its place.
    MadeRoom {
        /// When.
        at: When,
        /// By this fitting.
        by: Id<Fitting>,
    },
}
impl End {
    /// When it ended.
    #[must_use]
    pub fn at(&self) -> When {
        match self {
            Self::TakenOff(at) | Self::MadeRoom { at, .. } => *at,
        }
    }
}

/// One stay of a part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sitting {
    /// Its id.
    pub id: Id<Fitting>,
    /// The part.
    pub part: Id<InstalledPart>,
    /// The motorcycle.
    pub motorcycle: Id<Motorcycle>,
    /// The component's key.
    pub component: String,
    /// Where.
    pub position: Option<Position>,
    /// From.
    pub from: When,
    /// To; `None` while it is on.
    pub end: Option<End>,
}
impl Sitting {
    /// Whether the part is on at a moment. A part that is fitted and one that comes off at that very moment both are.
    #[must_use]
    pub fn is_on(&self, at: When) -> bool {
        self.from <= at && self.end.is_none_or(|end| at <= end.at())
    }
    fn place(&self) -> (&str, Option<Position>) {
        (&self.component, self.position)
    }
}

/// Why stays contradict one another. Each is named by its id.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Clash {
    /// The first part is taken off by name later than the second takes its place.
    StillThere {
        /// The stay that ends by name.
        stays: Id<Fitting>,
        /// The fitting to the same place before that.
        newcomer: Id<Fitting>,
    },
    /// One part would be in two places.
    TwoPlaces {
        /// The earlier stay.
        first: Id<Fitting>,
        /// The stay that begins before the earlier one has ended.
        second: Id<Fitting>,
    },
}

/// Works out the ends of all stays on one motorcycle that nobody named, and looks whether any part would be in two places.
/// The stays of its parts on other motorcycles are given too; their ends stand.
///
/// # Errors
/// The first contradiction.
pub fn settle(stays: &mut [Sitting], motorcycle: Id<Motorcycle>) -> Result<(), Clash> {
    let mut here: Vec<usize> = (0..stays.len()).filter(|place| stays[*place].motorcycle == motorcycle).collect();
    here.sort_by(|a, b| {
        let (a, b) = (&stays[*a], &stays[*b]);
        (a.place(), a.from, a.id).cmp(&(b.place(), b.from, b.id))
    });
    for (place, &index) in here.iter().enumerate() {
        let next = here.get(place + 1).map(|next| &stays[*next]).filter(|next| next.place() == stays[index].place());
        let made_room = next.map(|next| End::MadeRoom { at: next.from, by: next.id });
        match (stays[index].end, made_room) {
            (Some(End::TakenOff(off)), Some(End::MadeRoom { at, by })) if off > at => {
                return Err(Clash::StillThere { stays: stays[index].id, newcomer: by });
            }
            (Some(End::TakenOff(_)), _) => {}
            // No part makes room for itself.
            _ if next.is_some_and(|next| next.part == stays[index].part) => {
                let second = next.map_or(stays[index].id, |next| next.id);
                return Err(Clash::TwoPlaces { first: stays[index].id, second });
            }
            (_, made_room) => stays[index].end = made_room,
        }
    }
    in_two_places(stays)
}

fn in_two_places(stays: &[Sitting]) -> Result<(), Clash> {
    let mut by_part: Vec<&Sitting> = stays.iter().collect();
    // On a day on which a part moves from one motorcycle to another, the stay that ends comes first.
    by_part.sort_by_key(|stay| (stay.part, stay.from.on, stay.end.map_or(Date::MAX, |end| end.at().on), stay.from, stay.id));
    for pair in by_part.windows(2) {
        let (first, second) = (pair[0], pair[1]);
        if first.part != second.part {
            continue;
        }
        // Distances of two motorcycles say nothing about each other: there the day decides.
        let over = first
            .end
            .map(|end| end.at())
            .is_some_and(|end| if first.motorcycle == second.motorcycle { end <= second.from } else { end.on <= second.from.on });
        if !over {
            return Err(Clash::TwoPlaces { first: first.id, second: second.id });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use time::{Duration, macros::date};
    use uuid::Uuid;

    use super::*;

    const DAY: Date = date!(2026 - 01 - 01);

    fn id<T>(number: u128) -> Id<T> {
        Id::new(Uuid::from_u128(number))
    }
    fn on(day: i64, order: u128) -> When {
        When { on: DAY + Duration::days(day), ticks: Some(day * 1000), order }
    }
    fn stay(number: u128, part: u128, bike: u128, day: i64) -> Sitting {
        Sitting {
            id: id(number),
            part: id(part),
            motorcycle: id(bike),
            component: "tire".into(),
            position: Some("rear".parse().unwrap()),
            from: on(day, number),
            end: None,
        }
    }
    fn ends(stays: &[Sitting]) -> Vec<Option<Date>> {
        stays.iter().map(|stay| stay.end.map(|end| end.at().on)).collect()
    }

    #[test]
    fn an_older_fitting_that_is_entered_late_ends_at_the_newer_one() {
        let mut stays = [stay(1, 1, 1, 10), stay(2, 2, 1, 5)];
        settle(&mut stays, id(1)).unwrap();
        assert_eq!(ends(&stays), [None, Some(DAY + Duration::days(10))]);
        assert_eq!(stays[1].end, Some(End::MadeRoom { at: stays[0].from, by: id(1) }));
    }
    #[test]
    fn other_positions_components_and_motorcycles_make_no_room() {
        let front = Sitting { position: Some("front".parse().unwrap()), ..stay(2, 2, 1, 5) };
        let nowhere = Sitting { position: None, ..stay(3, 3, 1, 6) };
        let wheel = Sitting { component: "wheel".into(), ..stay(4, 4, 1, 7) };
        let mut stays = [stay(1, 1, 1, 1), front, nowhere, wheel, stay(5, 5, 2, 8)];
        settle(&mut stays, id(1)).unwrap();
        assert_eq!(ends(&stays), [None; 5]);
    }
    #[test]
    fn a_part_taken_off_by_name_leaves_the_place_empty() {
        let mut stays = [stay(1, 1, 1, 1), stay(2, 2, 1, 9)];
        stays[0].end = Some(End::TakenOff(on(4, 7)));
        settle(&mut stays, id(1)).unwrap();
        assert_eq!(ends(&stays), [Some(DAY + Duration::days(4)), None]);
        // It cannot have been there still when the other was fitted.
        stays[0].end = Some(End::TakenOff(on(11, 7)));
        assert_eq!(settle(&mut stays, id(1)), Err(Clash::StillThere { stays: id(1), newcomer: id(2) }));
    }
    #[test]
    fn a_part_is_in_one_place_at_a_time() {
        let mut stays = [stay(1, 1, 1, 1), stay(2, 1, 2, 9)];
        assert_eq!(settle(&mut stays, id(2)), Err(Clash::TwoPlaces { first: id(1), second: id(2) }));
        // On the day it came off one motorcycle it may go on another, whatever their distances are.
        stays[0].end = Some(End::TakenOff(on(9, 7)));
        assert_eq!(settle(&mut stays, id(2)), Ok(()));
        stays[0].end = Some(End::TakenOff(on(10, 7)));
        assert_eq!(settle(&mut stays, id(2)), Err(Clash::TwoPlaces { first: id(1), second: id(2) }));
    }
    #[test]
    fn no_part_makes_room_for_itself() {
        let mut stays = [stay(1, 1, 1, 1), stay(2, 1, 1, 9)];
        assert_eq!(settle(&mut stays, id(1)), Err(Clash::TwoPlaces { first: id(1), second: id(2) }));
        // Another part in between makes it come off, and it may be fitted again.
        let mut stays = [stay(1, 1, 1, 1), stay(2, 1, 1, 9), stay(3, 2, 1, 5)];
        assert_eq!(settle(&mut stays, id(1)), Ok(()));
        assert_eq!(ends(&stays), [Some(DAY + Duration::days(5)), None, Some(DAY + Duration::days(9))]);
    }
    #[test]
    fn what_ends_and_what_begins_at_a_moment_are_both_on() {
        let mut stays = [stay(1, 1, 1, 1), stay(2, 2, 1, 9)];
        settle(&mut stays, id(1)).unwrap();
        assert!(stays[0].is_on(stays[0].from) && stays[0].is_on(stays[1].from) && stays[1].is_on(stays[1].from));
        assert!(!stays[1].is_on(stays[0].from) && !stays[0].is_on(on(10, 3)));
    }
    proptest! {
        #[test]
        fn the_order_of_entry_changes_nothing(entries in prop::collection::vec((0..40_i64, 0..3_usize), 1..12), seed in any::<u64>()) {
            // Each entry fits a part of its own to one of three places; entered in any order.
            let positions = ["front", "rear", "left"];
            let all: Vec<Sitting> = (1_u128..).zip(&entries).map(|(number, (day, place))| Sitting {
                position: Some(positions[*place].parse().unwrap()),
                ..stay(number, number, 1, *day)
            }).collect();
            let mut at_once = all.clone();
            settle(&mut at_once, id(1)).unwrap();
            let mut shuffled = all;
            let mut step = seed;
            for place in (1..shuffled.len()).rev() {
                step = step.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                shuffled.swap(place, usize::try_from(step >> 33).unwrap() % (place + 1));
            }
            let mut entered: Vec<Sitting> = Vec::new();
            for next in shuffled {
                entered.push(next);
                settle(&mut entered, id(1)).unwrap();
            }
            entered.sort_by_key(|stay| stay.id);
            prop_assert_eq!(&entered, &at_once);
            // And taking one out again is as if it had never been.
            let gone = entered.remove(usize::try_from(seed % entered.len() as u64).unwrap());
            settle(&mut entered, id(1)).unwrap();
            at_once.retain(|stay| stay.id != gone.id);
            settle(&mut at_once, id(1)).unwrap();
            prop_assert_eq!(entered, at_once);
        }
    }
}
