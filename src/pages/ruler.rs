//! The date ruler: one scale of days for all rows of a list, two months back and six ahead, with today's line through all of them.
use time::Date;

use crate::domain::{
    calendar::{add_months, month_year},
    due::ExpectedDates,
};

/// The scale.
#[derive(Clone, Copy, Debug)]
pub struct Ruler {
    from: Date,
    to: Date,
    today: Date,
}
/// The first of a month on the scale.
#[derive(Clone, Debug, PartialEq)]
pub struct MonthMark {
    /// Where, in percent.
    pub x: String,
    /// Its name.
    pub name: String,
}
/// What stands on one row of the ruler, in percent of its width.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Marks {
    /// The day it comes due.
    pub mark: Option<String>,
    /// Where it probably comes due: eight futures in ten. From and width.
    pub span: Option<(String, String)>,
    /// From the mark to today, where that is past. From and width.
    pub past: Option<(String, String)>,
    /// It lies before the scale.
    pub before: bool,
    /// It lies beyond the scale.
    pub beyond: bool,
}

impl Ruler {
    /// The scale around a day.
    #[must_use]
    pub fn around(today: Date) -> Self {
        Self { from: add_months(today, -2), to: add_months(today, 6), today }
    }
    fn share(self, day: Date) -> f64 {
        let days = |from: Date, to: Date| i32::try_from((to - from).whole_days()).map_or(0.0, f64::from);
        let whole = days(self.from, self.to);
        if whole > 0.0 { 100.0 * days(self.from, day.clamp(self.from, self.to)) / whole } else { 0.0 }
    }
    fn stretch(self, from: Date, to: Date) -> (String, String) {
        let (from, to) = (self.share(from), self.share(to));
        (percent(from), percent((to - from).max(0.0)))
    }
    /// Where today's line stands.
    #[must_use]
    pub fn today(&self) -> String {
        percent(self.share(self.today))
    }
    /// The months on the scale.
    #[must_use]
    pub fn months(&self) -> Vec<MonthMark> {
        let first = self.from.replace_day(1).unwrap_or(self.from);
        let starts = (1..=8).map(|month| add_months(first, month)).filter(|day| *day <= self.to);
        // No name where too little of the month is left to write it.
        let named = starts.filter(|day| self.share(*day) < 96.0);
        named
            .map(|day| {
                let name = month_year(day).split(' ').next().unwrap_or_default().to_owned();
                MonthMark { x: percent(self.share(day)), name }
            })
            .collect()
    }
    /// The marks of something that comes due on a day, and probably between two.
    #[must_use]
    pub fn marks(&self, due: Option<Date>, expected: Option<ExpectedDates>) -> Marks {
        let Some(due) = due else { return Marks::default() };
        let on_scale = |day: Date| (self.from..=self.to).contains(&day);
        let band = expected.and_then(|expected| Some((expected.p10?, expected.p90.unwrap_or(Date::MAX))));
        let band = band.filter(|(early, late)| early < late && *early <= self.to && *late >= self.from);
        Marks {
            mark: on_scale(due).then(|| percent(self.share(due))),
            span: band.map(|(early, late)| self.stretch(early, late)),
            past: (due < self.today).then(|| self.stretch(due, self.today)),
            before: due < self.from,
            beyond: due > self.to,
        }
    }
}

fn percent(share: f64) -> String {
    format!("{share:.1}%")
}

#[cfg(test)]
mod tests {
    use time::macros::date;

    use super::*;

    #[test]
    fn today_stands_at_a_quarter_between_the_months() {
        let ruler = Ruler::around(date!(2026 - 11 - 25));
        assert_eq!(ruler.today(), "25.2%");
        let names: Vec<_> = ruler.months().into_iter().map(|month| month.name).collect();
        assert_eq!(names, ["Oct", "Nov", "Dec", "Jan", "Feb", "Mar", "Apr", "May"]);
    }
    #[test]
    fn what_is_past_is_inked_up_to_today_and_what_is_off_the_scale_is_said() {
        let ruler = Ruler::around(date!(2026 - 11 - 25));
        let past = ruler.marks(Some(date!(2026 - 10 - 25)), None);
        assert_eq!((past.mark.as_deref(), past.past), (Some("12.4%"), Some(("12.4%".into(), "12.8%".into()))));
        let long_ago = ruler.marks(Some(date!(2020 - 01 - 01)), None);
        assert_eq!((long_ago.mark, long_ago.past, long_ago.before), (None, Some(("0.0%".into(), "25.2%".into())), true));
        let far = ruler.marks(Some(date!(2030 - 01 - 01)), None);
        assert_eq!((far.mark, far.past, far.beyond), (None, None, true));
    }
    #[test]
    fn a_band_without_an_end_runs_to_the_edge_and_the_ends_of_the_calendar_hold() {
        let ruler = Ruler::around(date!(2026 - 11 - 25));
        let expected = ExpectedDates { p10: Some(date!(2027 - 01 - 25)), p50: None, p90: None };
        assert_eq!(ruler.marks(Some(date!(2027 - 03 - 01)), Some(expected)).span, Some(("50.4%".into(), "49.6%".into())));
        assert_eq!(Ruler::around(Date::MAX).today(), "100.0%");
    }
}
