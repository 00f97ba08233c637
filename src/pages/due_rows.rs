//! The rows of what is due, for the workshop's page and a motorcycle's own.
use time::Date;

use super::{
    links,
    ruler::{Marks, MonthMark, Ruler},
    words,
};
use crate::domain::{
    due::{DueItemOn, MotorcycleRef},
    words::Status,
};

/// A list of what is due on one date ruler.
#[derive(Clone, Debug)]
pub struct DueRows {
    /// Where today's line stands, in percent.
    pub today: String,
    /// The months on the ruler.
    pub months: Vec<MonthMark>,
    /// The rows.
    pub rows: Vec<DueRow>,
}
/// One row.
#[derive(Clone, Debug)]
pub struct DueRow {
    /// The item's id, so that a link can lead to it.
    pub id: String,
    /// The motorcycle's name, on the workshop's page.
    pub motorcycle: Option<MotorcycleRef>,
    /// What is to be done.
    pub title: String,
    /// The status as a word.
    pub word: String,
    /// When it comes due.
    pub when: String,
    /// What stands on the ruler.
    pub marks: Marks,
    /// The reasons.
    pub because: Vec<String>,
    /// Where to write it up.
    pub write_up: String,
    /// It stands open on the page.
    pub open: bool,
}

impl DueRows {
    /// The rows of these items. On the workshop's page (`with_names`) each says which motorcycle it is about.
    #[must_use]
    pub fn new(items: &[DueItemOn], today: Date, with_names: bool) -> Self {
        let ruler = Ruler::around(today);
        let row = |item: &DueItemOn| DueRow {
            id: item.id.to_string(),
            motorcycle: with_names.then(|| item.motorcycle.clone()),
            title: item.title.clone(),
            word: words::status_of(item),
            when: words::when(item, today),
            marks: if item.status == Status::NoHistory { Marks::default() } else { ruler.marks(item.due_from, item.expected) },
            because: item.because.clone(),
            write_up: links::with_query(&links::write_up(item.motorcycle.id), [("due", item.id.to_string().as_str())]),
            open: false,
        };
        Self { today: ruler.today(), months: ruler.months(), rows: items.iter().map(row).collect() }
    }
}
