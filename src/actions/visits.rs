//! The fewest visits in which everything is done in time.
use super::{Work, due};
use crate::{
    domain::{
        calendar,
        due::{DueDates, DueItemOn},
        motorcycle::Motorcycle,
        visits::{Visit, VisitItem, visits},
    },
    error::Result,
};

/// The visits that a motorcycle needs from today for so many months.
///
/// # Errors
/// Where the database refuses.
pub async fn of_motorcycle(work: &mut Work, bike: &Motorcycle, months: u32) -> Result<Vec<Visit>> {
    let items = due::of_motorcycle(work, bike, None).await?;
    let planned: Vec<_> = items.iter().map(as_planned).collect();
    Ok(visits(&planned, work.today, calendar::add_months(work.today, i64::from(months))))
}

fn as_planned(item: &DueItemOn) -> VisitItem<'_> {
    let dates = DueDates { nearly_due_from: item.nearly_due_from, due_from: item.due_from, overdue_from: item.overdue_from };
    VisitItem { id: item.id, title: &item.title, dates }
}
