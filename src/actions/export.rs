//! The workshop, whole, as lines of JSON: a first line that says which version it is, the settings, every fact of every table, and a last
//! line, so that a file that was cut off is noticed.
//!
//! `{"format": "witnessmark-export", "version": 1, "workshop": "…", "exported_at": "…"}`, then
//! `{"table": "workshop", "settings": {…}}`, then a line like `{"table": "reading", "row": {"id": "…", …}}` for each row, a table after those
//! that it refers to ([`TABLES`]), then `{"table": "end", "rows": 1234}`: the number of lines between the first and the last.
use serde_json::{Value, json};
use time::format_description::well_known::Rfc3339;

use super::Work;
use crate::{
    error::{Error, Result},
    store::exchange::{Place, TABLES, rows},
};

/// What the first line calls the format.
pub const FORMAT: &str = "witnessmark-export";
/// Its version. A change that an older server could not read makes it 2.
pub const VERSION: u64 = 1;

/// An export on its way out, from one moment of the database.
#[derive(Debug)]
pub struct Export {
    work: Work,
    next: Next,
    lines: usize,
}
#[derive(Clone, Copy, Debug)]
enum Next {
    First,
    Table(usize, Option<Place>),
    Last,
    Done,
}

impl Export {
    /// An export of the caller's workshop.
    #[must_use]
    pub const fn new(work: Work) -> Self {
        Self { work, next: Next::First, lines: 0 }
    }
    /// The next lines; `None` behind the last one.
    ///
    /// # Errors
    /// Where the database refuses.
    pub async fn next(&mut self) -> Result<Option<Vec<u8>>> {
        let mut text = Vec::new();
        match self.next {
            Next::First => {
                self.begin(&mut text)?;
                self.next = Next::Table(0, None);
            }
            Next::Table(place, after) => {
                let Some(table) = TABLES.get(place) else {
                    self.next = Next::Last;
                    return Ok(Some(text));
                };
                let workshop = self.work.workshop_id();
                let (rows, last) = rows(&mut self.work.tx, workshop, table, after).await?;
                for row in rows {
                    let line = json!({"table": table.name, "row": row});
                    self.line(&mut text, &line)?;
                }
                self.next = if last.is_some() { Next::Table(place, last) } else { Next::Table(place + 1, None) };
            }
            Next::Last => {
                let last = json!({"table": "end", "rows": self.lines});
                self.line(&mut text, &last)?;
                self.next = Next::Done;
            }
            Next::Done => return Ok(None),
        }
        Ok(Some(text))
    }
    fn begin(&mut self, text: &mut Vec<u8>) -> Result<()> {
        let at = self.work.now.format(&Rfc3339).map_err(Error::internal)?;
        let first = json!({"format": FORMAT, "version": VERSION, "workshop": self.work.workshop.name, "exported_at": at});
        self.line(text, &first)?;
        // The first line is not one of those that are counted.
        self.lines = 0;
        let settings = json!({"table": "workshop", "settings": self.work.workshop.details()});
        self.line(text, &settings)
    }
    fn line(&mut self, text: &mut Vec<u8>, value: &Value) -> Result<()> {
        self.lines += 1;
        serde_json::to_writer(&mut *text, value).map_err(Error::internal)?;
        text.push(b'\n');
        Ok(())
    }
}
