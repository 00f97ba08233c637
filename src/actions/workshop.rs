//! The workshop's settings.
use super::{Subject, Work};
use crate::{
    clock::knows_time_zone,
    domain::{
        quantity::Kind,
        validate::{self, Problem, looks_like_an_address},
        workshop::{Workshop, WorkshopSettings},
    },
    error::{Error, Result},
    store::{motorcycle, workshop as store},
};

/// The most that a motorcycle can be taken to run in a year, in meters.
const MOST_A_YEAR: f64 = 200_000_000.0;
/// The most addresses that a report goes to.
const MOST_ADDRESSES: usize = 50;

/// The longest lead of a workshop, in days.
const MOST_LEAD_DAYS: u32 = 366;
/// The longest greeting or closing of a report, in characters.
const LONGEST_SAID: usize = 1000;

/// Changes the workshop's settings. Where that changes what is due, it is worked out again for every motorcycle in use.
///
/// # Errors
/// 422 with what is wrong where.
pub async fn change(work: &mut Work, mut new: WorkshopSettings) -> Result<Workshop> {
    for text in [&mut new.name, &mut new.time_zone].into_iter().chain(&mut new.reports.to) {
        *text = text.trim().to_owned();
    }
    for said in [&mut new.reports.greeting, &mut new.reports.closing] {
        *said = said.take().map(|text| text.trim().to_owned()).filter(|text| !text.is_empty());
    }
    let problems = check(&new);
    if !problems.is_empty() {
        return Err(Error::Invalid(problems));
    }
    let old = work.workshop.clone();
    let workshop = Workshop::from_new(old.id, new, old.created_at);
    let now = work.now;
    store::update(&mut work.tx, &workshop, now).await?;
    super::report::workshop_asks(work, &old, &workshop).await?;
    let decides = |workshop: &Workshop| (workshop.default_yearly_distance.clone(), workshop.time_zone.clone(), workshop.lead_days);
    if decides(&workshop) != decides(&old) {
        for bike in motorcycle::all_in_use(&mut work.tx, workshop.id).await? {
            work.touch(bike.id);
        }
    }
    work.audit("change", Subject::new("workshop", workshop.id), Some(&old), Some(&workshop)).await?;
    work.workshop = workshop.clone();
    Ok(workshop)
}

/// What is wrong with a workshop's settings.
#[must_use]
pub fn check(new: &WorkshopSettings) -> Vec<Problem> {
    let mut problems = validate::strings_and_lists(new);
    problems.extend(validate::report_times(new.reports.hour, new.reports.day));
    let mut must = |holds: bool, pointer: &str, detail: &str| {
        if !holds {
            problems.push(Problem::new(pointer, detail));
        }
    };
    must(!new.name.is_empty(), "/name", "must not be empty; say what the workshop is called");
    must(knows_time_zone(&new.time_zone), "/time_zone", "is not a time zone of the IANA database; one is Europe/Lisbon");
    let code = new.currency.len() == 3 && new.currency.bytes().all(|letter| letter.is_ascii_uppercase());
    must(code, "/currency", "has three capital letters (ISO 4217), such as EUR");
    let (yearly, meters) = (&new.default_yearly_distance, new.default_yearly_distance.si());
    match yearly.unit.must_be(Kind::Distance) {
        Err(why) => must(false, "/default_yearly_distance/unit", &why),
        Ok(()) => must(
            meters > 0.0 && meters <= MOST_A_YEAR,
            "/default_yearly_distance/value",
            "must be more than 0 and at most 200,000 km (124,274 mi) a year",
        ),
    }
    must(new.lead_days <= MOST_LEAD_DAYS, "/lead_days", "is at most 366 days");
    for (name, text) in [("greeting", &new.reports.greeting), ("closing", &new.reports.closing)] {
        let length = text.as_ref().map_or(0, |text| text.chars().count());
        must(length <= LONGEST_SAID, &format!("/reports/{name}"), "is too long for a mail; at most 1,000 characters are taken");
    }
    must(new.reports.to.len() <= MOST_ADDRESSES, "/reports/to", "has too many addresses; at most 50 are taken");
    for (place, address) in new.reports.to.iter().enumerate() {
        must(looks_like_an_address(address), &format!("/reports/to/{place}"), "is not an e-mail address; write it as name@example.org");
    }
    problems
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::{
        quantity::{Figure, Quantity, Unit},
        words::OdometerUnit,
        workshop::WorkshopReports,
    };

    fn settings() -> WorkshopSettings {
        WorkshopSettings {
            name: "Birch".into(),
            time_zone: "Europe/Lisbon".into(),
            default_unit: OdometerUnit::Km,
            currency: "EUR".into(),
            default_yearly_distance: Quantity { value: Figure::from(200_000), unit: Unit::Km },
            lead_days: 366,
            reports: WorkshopReports { to: vec!["shop@example.org".into()], ..WorkshopReports::default() },
        }
    }

    #[test]
    fn each_wrong_setting_is_named() {
        type Breaks = fn(&mut WorkshopSettings);
        assert_eq!(check(&settings()), []);
        let cases: [(&str, Breaks); 11] = [
            ("/name", |new| new.name.clear()),
            ("/time_zone", |new| new.time_zone = "Europe/Nowhere".into()),
            ("/currency", |new| new.currency = "eur".into()),
            ("/default_yearly_distance/unit", |new| new.default_yearly_distance.unit = Unit::H),
            ("/default_yearly_distance/value", |new| new.default_yearly_distance.value = Figure::from(0)),
            ("/default_yearly_distance/value", |new| new.default_yearly_distance.value = Figure::from(200_001)),
            ("/lead_days", |new| new.lead_days = 367),
            ("/reports/greeting", |new| new.reports.greeting = Some("a".repeat(1001))),
            ("/reports/closing", |new| new.reports.closing = Some("a".repeat(1001))),
            ("/reports/to/1", |new| new.reports.to.push("nobody".into())),
            ("/reports/to", |new| new.reports.to = vec!["a@example.org".into(); 51]),
        ];
        for (pointer, breaks) in cases {
            let mut new = settings();
            breaks(&mut new);
            let pointers: Vec<_> = check(&new).into_iter().map(|problem| problem.pointer).collect();
            assert_eq!(pointers, [pointer]);
        }
    }
}
