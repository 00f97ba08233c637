//! A due point → the three dates from which every status follows, and the dates at which it may come due.
use time::{Date, Duration};

use super::{
    due::{DueDates, ExpectedDates},
    interval::{NextPoint, TICKS_PER_HOUR, Terms},
    quantity::{Distance, Unit},
    road::Gauge,
    rule::{IntervalRule, Margin},
    words::{Governs, OdometerUnit, Whichever},
};

/// How long before and beyond the due point, limb by limb.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Margins {
    /// Nearly due so many ticks of distance before.
    pub lead_distance: Option<i64>,
    /// Nearly due so many ticks of the hour meter before.
    pub lead_hours: Option<i64>,
    /// Nearly due so many days before.
    pub lead_days: Option<i64>,
    /// Not yet overdue up to so many ticks of distance beyond.
    pub grace_distance: i64,
    /// Not yet overdue up to so many ticks of the hour meter beyond.
    pub grace_hours: i64,
    /// Not yet overdue up to so many days beyond.
    pub grace_days: i64,
}

fn distance(margin: &Margin) -> Option<i64> {
    margin.distance.as_ref().and_then(|quantity| Distance::from_quantity(quantity).ok()).map(Distance::mm)
}
#[expect(clippy::cast_possible_truncation, reason = "figures are at most 10^15 and the cast saturates")]
fn hours(margin: &Margin) -> Option<i64> {
    margin.hours.as_ref().map(|hours| (hours.value() * TICKS_PER_HOUR).round() as i64)
}

/// A tenth of a distance, at most 500 mi or 800 km, whichever of the two units is meant.
#[must_use]
pub fn default_lead(every: i64, unit: OdometerUnit) -> i64 {
    let most = match unit {
        OdometerUnit::Mi => Distance::new(500.0, unit),
        OdometerUnit::Km => Distance::new(800.0, unit),
    };
    (every / 10).min(most.mm())
}

/// The margins of a rule. The default lead is the workshop's (30 days unless it says otherwise) for a rule in months, a tenth of `every` in distance (at most 500 mi or
/// 800 km, in the unit the rule is written in) and in hours (at most 10 h). Where `first` alone names a limb its figure takes
/// the place of `every`; once that limb is done it has no lead any more.
#[must_use]
pub fn margins(rule: &IntervalRule, terms: &Terms, next: &NextPoint, lead_days: i64) -> Margins {
    let written = |limbs: &Option<super::rule::Limbs>| Some(limbs.as_ref()?.distance.as_ref()?.unit);
    let unit = match written(&rule.every).or_else(|| written(&rule.first)) {
        Some(Unit::Mi) => OdometerUnit::Mi,
        _ => OdometerUnit::Km,
    };
    let every_distance = terms.every.distance.or(terms.first.distance).filter(|_| !next.distance.is_absent());
    let every_hours = terms.every.hours.or(terms.first.hours).filter(|_| !next.hours.is_absent());
    let ten_hours = 36_000_000;
    Margins {
        lead_distance: distance(&rule.lead).or_else(|| every_distance.map(|every| default_lead(every, unit))),
        lead_hours: hours(&rule.lead).or_else(|| every_hours.map(|every| (every / 10).min(ten_hours))),
        lead_days: rule.lead.days.map(i64::from).or_else(|| (!next.date.is_absent()).then_some(lead_days)),
        grace_distance: distance(&rule.grace).unwrap_or(0),
        grace_hours: hours(&rule.grace).unwrap_or(0),
        grace_days: rule.grace.days.map_or(0, i64::from),
    }
}

/// The margins of what has no rule: the default leads with its own figures in place of `every`.
#[must_use]
pub fn own_margins(distance: Option<i64>, months: Option<i64>, unit: OdometerUnit, lead_days: i64) -> Margins {
    Margins {
        lead_distance: distance.map(|distance| default_lead(distance, unit)),
        lead_days: months.map(|_| lead_days),
        ..Margins::default()
    }
}

/// A due point on a counter of the motorcycle.
#[derive(Clone, Copy, Debug)]
pub struct OnCounter<'a> {
    /// The counter.
    pub gauge: &'a Gauge<'a>,
    /// The due point, a true count in ticks.
    pub due: i64,
    /// It cannot come due before this day: the part was not on the motorcycle.
    pub not_before: Option<Date>,
}

/// A due point with every limb that is known, on the motorcycle's own counters.
#[derive(Clone, Copy, Debug)]
pub struct DuePoint<'a> {
    /// By distance.
    pub distance: Option<OnCounter<'a>>,
    /// By hours.
    pub hours: Option<OnCounter<'a>>,
    /// By the calendar.
    pub date: Option<Date>,
    /// Which limb decides.
    pub whichever: Whichever,
    /// Leads and graces.
    pub margins: Margins,
}

/// Whether a count's date may be projected.
#[derive(Clone, Copy, PartialEq, Eq)]
enum View {
    Projected,
    Actual,
}

impl OnCounter<'_> {
    fn not_before(&self, day: Option<Date>) -> Option<Date> {
        day.max(self.not_before.filter(|_| day.is_some()))
    }
    fn reaches(&self, ticks: i64, view: View) -> Option<Date> {
        self.not_before(if view == View::Projected { self.gauge.reaches(ticks) } else { self.gauge.counter.reached(ticks) })
    }
    fn passes(&self, ticks: i64, view: View) -> Option<Date> {
        self.not_before(if view == View::Projected { self.gauge.passes(ticks) } else { self.gauge.counter.passed(ticks) })
    }
    fn dates(&self, lead: Option<i64>, grace: i64, view: View) -> DueDates {
        DueDates {
            nearly_due_from: self.reaches(self.due.saturating_sub(lead.unwrap_or(0)), view),
            due_from: self.reaches(self.due, view),
            overdue_from: self.passes(self.due.saturating_add(grace), view),
        }
    }
    fn expected(&self) -> ExpectedDates {
        let dates = self.gauge.expected(self.due);
        ExpectedDates { p10: self.not_before(dates.p10), p50: self.not_before(dates.p50), p90: self.not_before(dates.p90) }
    }
}

fn days_before(day: Option<Date>, days: i64) -> Option<Date> {
    day.map(|day| day.saturating_sub(Duration::days(days)))
}
/// The earlier or the later of two dates that may never come.
fn decide(whichever: Whichever, one: Option<Date>, other: Option<Date>) -> Option<Date> {
    match whichever {
        Whichever::First => one.into_iter().chain(other).min(),
        Whichever::Last => one.zip(other).map(|(one, other)| one.max(other)),
    }
}

impl DuePoint<'_> {
    /// No limb is known: nobody knows when it comes due.
    #[must_use]
    pub fn unknown(&self) -> bool {
        self.distance.is_none() && self.hours.is_none() && self.date.is_none()
    }
    /// The three dates, by projection where there is no reading. Where the due point never comes all three are empty.
    #[must_use]
    pub fn dates(&self) -> DueDates {
        let dates = self.view(View::Projected);
        if dates.due_from.is_some() { dates } else { DueDates::default() }
    }
    /// The three dates from actual readings and the calendar alone; what the readings have not got to yet is empty.
    #[must_use]
    pub fn actual(&self) -> DueDates {
        self.view(View::Actual)
    }
    /// Each known limb's own dates.
    fn limbs(&self, view: View) -> impl Iterator<Item = (Governs, DueDates)> {
        let Margins { lead_distance, lead_hours, lead_days, grace_distance, grace_hours, grace_days } = self.margins;
        let date = self.date.map(|due| DueDates {
            nearly_due_from: days_before(Some(due), lead_days.unwrap_or(0)),
            due_from: Some(due),
            overdue_from: Some(due.saturating_add(Duration::days(grace_days + 1))),
        });
        // Of limbs on one day the calendar is named: it is certain.
        let date = date.map(|dates| (Governs::Time, dates));
        let distance = self.distance.map(|limb| (Governs::Distance, limb.dates(lead_distance, grace_distance, view)));
        let hours = self.hours.map(|limb| (Governs::Hours, limb.dates(lead_hours, grace_hours, view)));
        [date, distance, hours].into_iter().flatten()
    }
    fn view(&self, view: View) -> DueDates {
        let either = |one: DueDates, other: DueDates| DueDates {
            nearly_due_from: decide(self.whichever, one.nearly_due_from, other.nearly_due_from),
            due_from: decide(self.whichever, one.due_from, other.due_from),
            overdue_from: decide(self.whichever, one.overdue_from, other.overdue_from),
        };
        let mut dates = self.limbs(view).map(|(_, dates)| dates).reduce(either).unwrap_or_default();
        // A lead in days goes before the due date of the item; of several limbs that must all be reached it is the date's alone.
        if let Some(days) = self.margins.lead_days
            && (self.whichever == Whichever::First || self.date.is_none())
        {
            dates.nearly_due_from = decide(Whichever::First, dates.nearly_due_from, days_before(dates.due_from, days));
        }
        dates
    }
    /// The dates at which it may come due; `None` where no limb ever does.
    #[must_use]
    pub fn expected(&self) -> Option<ExpectedDates> {
        let date = self.date.map(|due| ExpectedDates { p10: Some(due), p50: Some(due), p90: Some(due) });
        let counters = [self.distance, self.hours].into_iter().flatten().map(|limb| limb.expected());
        let either = |one: ExpectedDates, other: ExpectedDates| ExpectedDates {
            p10: decide(self.whichever, one.p10, other.p10),
            p50: decide(self.whichever, one.p50, other.p50),
            p90: decide(self.whichever, one.p90, other.p90),
        };
        let dates = date.into_iter().chain(counters).reduce(either)?;
        (dates.p10.is_some() || dates.p50.is_some()).then_some(dates)
    }
    /// The limb that sets `due_from`.
    #[must_use]
    pub fn governs(&self) -> Option<Governs> {
        let due_from = self.dates().due_from?;
        self.limbs(View::Projected).find(|(_, dates)| dates.due_from == Some(due_from)).map(|(limb, _)| limb)
    }
}
