//! The life of a part over all its stays, on one motorcycle or on several: what it has run, and how old it is.
use time::Date;

use super::{
    calendar,
    history::{History, Mark, PartLife, Stay},
    id::Id,
    interval::TICKS_PER_HOUR,
    motorcycle::Motorcycle,
    quantity::Distance,
    road::Roads,
    tire,
};

impl History {
    /// The parts now on the motorcycle, each with its present stay.
    pub fn parts_on(&self) -> impl Iterator<Item = (&PartLife, &Stay)> {
        self.parts.iter().filter_map(|part| part.stay_on(self.motorcycle.id).map(|stay| (part, stay)))
    }
    /// Whether a part of this component is on the motorcycle now.
    #[must_use]
    pub fn has_fitted(&self, component: &str) -> bool {
        self.parts_on().any(|(part, _)| part.component == component)
    }
}

impl PartLife {
    /// Its stay on a motorcycle, where it is there now.
    #[must_use]
    pub fn stay_on(&self, motorcycle: Id<Motorcycle>) -> Option<&Stay> {
        self.stays.last().filter(|stay| stay.removed.is_none() && stay.motorcycle_id == motorcycle)
    }
    /// The week that a tire's date code names.
    #[must_use]
    pub fn made_on(&self) -> Option<Date> {
        self.date_code.as_deref().filter(|_| self.component == "tire").and_then(|code| tire::made_on(code).ok())
    }
    /// The day from which its age counts: its first fitting on record; for a tire with a date code the Monday of that week, for it ages on the shelf too.
    #[must_use]
    pub fn ages_from(&self) -> Option<Date> {
        self.made_on().or_else(|| self.stays.first().map(|stay| stay.fitted.on))
    }
    /// Its age in whole months.
    #[must_use]
    pub fn age_months(&self, on: Date) -> i32 {
        self.ages_from().map_or(0, |from| calendar::months_between(from, on))
    }
    /// What it had run when a stay began, over all stays before; `None` where a motorcycle's distance is not known.
    #[must_use]
    pub fn run_before(&self, stay: usize, roads: &Roads) -> Option<i64> {
        self.stays.iter().take(stay).try_fold(self.prior.mm(), |run, stay| Some(run + run_in(stay, roads)?))
    }
    /// What it had run before its last stay on a motorcycle without what it ran on that one: before its first fitting, and on others. `None`
    /// where it was on no other before, or the distance of one is not known.
    #[must_use]
    pub fn run_elsewhere(&self, motorcycle: Id<Motorcycle>, roads: &Roads) -> Option<Distance> {
        let last = self.stays.iter().rposition(|stay| stay.motorcycle_id == motorcycle)?;
        let others = || self.stays.iter().take(last).filter(|stay| stay.motorcycle_id != motorcycle);
        others().next()?;
        let run = others().map(|stay| run_in(stay, roads)).sum::<Option<i64>>()?;
        Some(Distance::from_mm(self.prior.mm() + run))
    }
    /// The hours it had run when a stay began; hours before its first fitting are not known and count as none.
    #[must_use]
    pub fn hours_before(&self, stay: usize, roads: &Roads) -> Option<i64> {
        self.stays.iter().take(stay).try_fold(0, |run, stay| {
            let road = roads.of(stay.motorcycle_id)?;
            Some(run + road.hours_at(&stay.removed?)?.ticks - road.hours_at(&stay.fitted)?.ticks)
        })
    }
    /// The stay in which something happened to the part on a motorcycle.
    #[must_use]
    pub fn stay_at(&self, motorcycle: Id<Motorcycle>, mark: &Mark, roads: &Roads) -> Option<usize> {
        let road = roads.of(motorcycle)?;
        // Day and distance decide: on the very spot of fitting or removing, the order of entry says nothing about the part.
        let spot = |mark: &Mark| (mark.on, road.distance_at(mark).map(|count| count.ticks));
        let here = spot(mark);
        let within = |stay: &Stay| {
            stay.motorcycle_id == motorcycle
                && spot(&stay.fitted) <= here
                && stay.removed.as_ref().is_none_or(|removed| here <= spot(removed))
        };
        self.stays.iter().rposition(within)
    }
    /// What the part had run when something happened on a motorcycle that it was on then.
    #[must_use]
    pub fn distance_at(&self, motorcycle: Id<Motorcycle>, mark: &Mark, roads: &Roads) -> Option<Distance> {
        let stay = self.stay_at(motorcycle, mark, roads)?;
        let road = roads.of(motorcycle)?;
        let run = road.distance_at(mark)?.ticks - road.distance_at(&self.stays[stay].fitted)?.ticks;
        Some(Distance::from_mm(self.run_before(stay, roads)? + run.max(0)))
    }
    /// The hours that the part had run when something happened on a motorcycle that it was on then.
    #[must_use]
    pub fn hours_at(&self, motorcycle: Id<Motorcycle>, mark: &Mark, roads: &Roads) -> Option<f64> {
        let stay = self.stay_at(motorcycle, mark, roads)?;
        let road = roads.of(motorcycle)?;
        let run = road.hours_at(mark)?.ticks - road.hours_at(&self.stays[stay].fitted)?.ticks;
        // Milliseconds; an hour meter has far fewer of them than an f64 holds apart.
        #[expect(clippy::cast_precision_loss, reason = "2^53 ms are 285,000 years")]
        Some((self.hours_before(stay, roads)? + run.max(0)) as f64 / TICKS_PER_HOUR)
    }
    /// What the part has run in all by the last readings, on the motorcycle or on the shelf.
    #[must_use]
    pub fn distance_now(&self, roads: &Roads) -> Option<Distance> {
        let Some((last, stay)) = self.stays.iter().enumerate().next_back() else { return Some(self.prior) };
        let before = self.run_before(last, roads)?;
        let road = roads.of(stay.motorcycle_id)?;
        let fitted = road.distance_at(&stay.fitted)?.ticks;
        let end = match &stay.removed {
            Some(removed) => road.distance_at(removed)?.ticks,
            None => road.distance.counter.last().map_or(fitted, |point| point.ticks),
        };
        Some(Distance::from_mm(before + (end - fitted).max(0)))
    }
}

/// What a part ran in a stay that is over.
fn run_in(stay: &Stay, roads: &Roads) -> Option<i64> {
    let road = roads.of(stay.motorcycle_id)?;
    Some(road.distance_at(&stay.removed?)?.ticks - road.distance_at(&stay.fitted)?.ticks)
}
