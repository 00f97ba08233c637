//! Rows of a spreadsheet: read from CSV (RFC 4180, and what spreadsheet programs make of it) or from a JSON object on each line.
use std::collections::{BTreeMap, BTreeSet, HashMap};

use serde_json::Value;

use super::{
    component::Component,
    propose::{Proposal, propose},
};

/// Why a file cannot be read at all.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unreadable(pub String);

/// A row with its cells by the names of their columns; empty cells are left out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SheetRow {
    /// The row, counted as a spreadsheet does: the one that names the columns is 1.
    pub number: usize,
    /// The cells, trimmed.
    pub cells: BTreeMap<String, String>,
    /// What is wrong with the row as a row.
    pub wrong: Option<String>,
}

/// A table with named columns.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sheet {
    /// The names of the columns, in small letters, blanks as `_`.
    pub columns: Vec<String>,
    /// The rows below them that hold anything.
    pub rows: Vec<SheetRow>,
    /// Whether a number in it is a JSON number, whose point cannot be meant otherwise.
    pub exact: bool,
}

/// Text out of the bytes of a file: UTF-8, or UTF-16 where a byte order mark says so.
///
/// # Errors
/// Where it is something else: what a letter was meant to be must not be guessed.
pub fn decode(file: &[u8]) -> Result<String, Unreadable> {
    let utf16 = |rest: &[u8], unit: fn([u8; 2]) -> u16| {
        let units = rest.chunks(2).map(|pair| pair.try_into().map_or(0xd800, unit));
        let text: Result<String, _> = char::decode_utf16(units).collect();
        text.map_err(|_| Unreadable("The file begins like UTF-16 but is none; save it as UTF-8.".into()))
    };
    let text = match file {
        [0xff, 0xfe, rest @ ..] => utf16(rest, u16::from_le_bytes)?,
        [0xfe, 0xff, rest @ ..] => utf16(rest, u16::from_be_bytes)?,
        [0xef, 0xbb, 0xbf, rest @ ..] => utf8(rest)?,
        all => utf8(all)?,
    };
    if text.contains('\0') {
        return Err(Unreadable("The file holds zero bytes: it is no text, or UTF-16 that does not say so. Save it as UTF-8.".into()));
    }
    Ok(text)
}
fn utf8(bytes: &[u8]) -> Result<String, Unreadable> {
    std::str::from_utf8(bytes).map(str::to_owned).map_err(|error| {
        let line = bytes[..error.valid_up_to()].split(|byte| *byte == b'\n').count();
        Unreadable(format!(
            "The file is not UTF-8 (line {line}): older programs write Windows-1252 or the like. Save it as \"CSV UTF-8\" and send it again."
        ))
    })
}

/// A column's name as it is compared: without regard to case, blanks and hyphens as `_`.
#[must_use]
pub fn column(name: &str) -> String {
    name.trim().to_lowercase().replace([' ', '-'], "_")
}

/// The most columns that a file may have: no record of work has so many.
const MOST_COLUMNS: usize = 200;

fn must_be_few(columns: usize) -> Result<(), Unreadable> {
    if columns <= MOST_COLUMNS {
        return Ok(());
    }
    Err(Unreadable(format!("The file has more than {MOST_COLUMNS} columns; take out those that hold nothing of this.")))
}
/// The second column of a name is called `name 2`: no name has a space in it by itself, and the cells of both stay apart.
fn told_apart(names: impl Iterator<Item = String>) -> Vec<String> {
    let mut seen: HashMap<String, usize> = HashMap::new();
    let tell = |name: String| {
        let times = seen.entry(name.clone()).and_modify(|times| *times += 1).or_insert(1);
        if *times == 1 { name } else { format!("{name} {times}") }
    };
    names.map(tell).collect()
}

impl Sheet {
    /// Reads CSV. Whether cells are parted by `,`, `;` or tabs, the first line says.
    ///
    /// # Errors
    /// Where there is no first row, or a quotation mark is opened and never closed.
    pub fn from_csv(text: &str) -> Result<Self, Unreadable> {
        let delimiter = delimiter(text);
        if let Some(line) = open_quote(text, delimiter) {
            return Err(Unreadable(format!("A quotation mark is opened on line {line} and never closed; close it, or write it twice.")));
        }
        let mut reader = csv::ReaderBuilder::new().has_headers(false).flexible(true).delimiter(delimiter).from_reader(text.as_bytes());
        let mut records = Vec::new();
        let mut record = csv::StringRecord::new();
        // A blank line is a row too, though the reader passes over it: the lines tell how many there were.
        let (mut number, mut line) = (0, 1);
        while reader.read_record(&mut record).map_err(|error| Unreadable(format!("The file cannot be read: {error}.")))? {
            let end = reader.position().line();
            let inside: u64 = record.iter().map(|cell| cell.matches('\n').count() as u64).sum();
            number += usize::try_from((end - line).saturating_sub(inside).max(1)).unwrap_or(1);
            line = end;
            records.push((number, std::mem::take(&mut record)));
        }
        let mut records = records.into_iter();
        let Some((_, names)) = records.next() else { return Err(Unreadable("The file is empty; its first row names the columns.".into())) };
        let columns = told_apart(names.iter().map(column));
        must_be_few(columns.len())?;
        let rows = records.map(|(number, record)| row(number, &record, &columns));
        let rows = rows.filter(|row| !row.cells.is_empty() || row.wrong.is_some()).collect();
        Ok(Self { columns, rows, exact: false })
    }

    /// Reads a JSON object from each line. Objects in it become columns with a point in their names.
    ///
    /// # Errors
    /// Where there is no line.
    pub fn from_ndjson(text: &str) -> Result<Self, Unreadable> {
        let mut columns = BTreeSet::new();
        let mut rows = Vec::new();
        for (place, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
            let mut row = SheetRow { number: place + 1, cells: BTreeMap::new(), wrong: None };
            match serde_json::from_str(line) {
                Ok(Value::Object(fields)) => {
                    for (name, value) in fields {
                        row.take(&column(&name), value);
                    }
                }
                Ok(_) => row.wrong = Some("This line is no JSON object.".into()),
                Err(error) => row.wrong = Some(format!("This line is not JSON: column {}.", error.column())),
            }
            columns.extend(row.cells.keys().cloned());
            must_be_few(columns.len())?;
            rows.push(row);
        }
        if rows.is_empty() {
            Err(Unreadable("The file is empty; send a JSON object on each line.".into()))
        } else {
            Ok(Self { columns: columns.into_iter().collect(), rows, exact: true })
        }
    }
}

impl Sheet {
    /// The sheet with its columns called otherwise, in their order; those without a name are left out.
    #[must_use]
    pub fn called(self, names: &[Option<String>]) -> Self {
        let new: BTreeMap<&String, &String> =
            self.columns.iter().zip(names).filter_map(|(old, new)| new.as_ref().map(|new| (old, new))).collect();
        let rows = self.rows.into_iter().map(|row| {
            let cells = row.cells.into_iter().filter_map(|(name, cell)| new.get(&name).map(|new| ((*new).clone(), cell)));
            SheetRow { cells: cells.collect(), ..row }
        });
        let rows = rows.collect();
        Self { columns: names.iter().flatten().cloned().collect(), rows, exact: self.exact }
    }
    /// The sheet with one more column that says the same in every row.
    #[must_use]
    pub fn with(mut self, column: &str, cell: &str) -> Self {
        self.columns.push(column.to_owned());
        for row in &mut self.rows {
            row.cells.insert(column.to_owned(), cell.to_owned());
        }
        self
    }
    /// What the rows without a component may be about, by the words of their summaries: each proposal with how many rows it is for and
    /// the first of their summaries, the most frequent first.
    #[must_use]
    pub fn proposals(&self, components: &[Component]) -> Vec<(Proposal, usize, String)> {
        let mut all: BTreeMap<Proposal, (usize, String)> = BTreeMap::new();
        for row in self.rows.iter().filter(|row| !row.cells.contains_key("component")) {
            let Some(summary) = row.cells.get("summary") else { continue };
            for proposal in propose(summary, components) {
                all.entry(proposal).or_insert_with(|| (0, summary.clone())).0 += 1;
            }
        }
        let mut all: Vec<_> = all.into_iter().map(|(proposal, (count, example))| (proposal, count, example)).collect();
        all.sort_by_key(|(_, count, _)| std::cmp::Reverse(*count));
        all
    }
    /// The sheet with the proposals that were confirmed: a row becomes several where its summary is about several things.
    #[must_use]
    pub fn confirmed(mut self, components: &[Component], confirmed: &[Proposal]) -> Self {
        for name in ["component", "position", "operation"] {
            if !confirmed.is_empty() && !self.columns.iter().any(|column| column == name) {
                self.columns.push(name.into());
            }
        }
        let mut rows = Vec::with_capacity(self.rows.len());
        for row in self.rows {
            let summary = row.cells.get("summary").filter(|_| !row.cells.contains_key("component"));
            let mut found = summary.map(|summary| propose(summary, components)).unwrap_or_default();
            found.retain(|proposal| confirmed.contains(proposal));
            if found.is_empty() {
                rows.push(row);
                continue;
            }
            for proposal in found {
                let mut line = row.clone();
                line.cells.insert("component".into(), proposal.component);
                line.cells.insert("operation".into(), proposal.operation.to_string());
                line.cells.extend(proposal.position.map(|position| ("position".into(), position.to_string())));
                rows.push(line);
            }
        }
        Self { rows, ..self }
    }
}

impl SheetRow {
    fn take(&mut self, name: &str, value: Value) {
        let text = match value {
            Value::Null => return,
            Value::String(text) => text.trim().to_owned(),
            Value::Number(number) => number.to_string(),
            Value::Bool(flag) => flag.to_string(),
            Value::Object(fields) => {
                for (inner, value) in fields {
                    self.take(&format!("{name}.{}", column(&inner)), value);
                }
                return;
            }
            Value::Array(_) => {
                self.wrong = Some(format!("{name} holds a list; a row holds texts and numbers."));
                return;
            }
        };
        if !text.is_empty() {
            self.cells.insert(name.to_owned(), text);
        }
    }
}

fn row(number: usize, record: &csv::StringRecord, columns: &[String]) -> SheetRow {
    let mut row = SheetRow { number, cells: BTreeMap::new(), wrong: None };
    let beyond = record.iter().skip(columns.len()).any(|cell| !cell.trim().is_empty());
    let blank = record.iter().all(|cell| cell.trim().is_empty());
    if !blank && (beyond || record.len() < columns.len()) {
        let detail = format!(
            "This row has {} cells, but row 1 names {} columns. A cell that holds the separator or a line break stands in quotation marks.",
            record.len(),
            columns.len()
        );
        row.wrong = Some(detail);
    }
    for (name, cell) in columns.iter().zip(record) {
        if !cell.trim().is_empty() {
            row.cells.insert(name.clone(), cell.trim().to_owned());
        }
    }
    row
}

/// What parts the cells: whichever of `,`, `;` and the tab stands most often in the first line, outside quotation marks.
fn delimiter(text: &str) -> u8 {
    let mut counts = [(b',', 0), (b';', 0), (b'\t', 0)];
    let mut quoted = false;
    for byte in text.bytes() {
        match byte {
            b'"' => quoted = !quoted,
            b'\n' if !quoted => break,
            _ if quoted => {}
            _ => counts.iter_mut().filter(|(delimiter, _)| *delimiter == byte).for_each(|(_, count)| *count += 1),
        }
    }
    counts.iter().rev().max_by_key(|(_, count)| *count).map_or(b',', |(delimiter, _)| *delimiter)
}

/// The line on which a quotation mark is opened that is never closed.
fn open_quote(text: &str, delimiter: u8) -> Option<usize> {
    let (mut line, mut opened, mut fresh) = (1, None, true);
    let mut bytes = text.bytes().peekable();
    while let Some(byte) = bytes.next() {
        if byte == b'\n' {
            line += 1;
        }
        match (opened, byte) {
            (Some(_), b'"') if bytes.peek() == Some(&b'"') => {
                bytes.next();
            }
            (Some(_), b'"') => opened = None,
            (None, b'"') if fresh => opened = Some(line),
            _ => {}
        }
        fresh = opened.is_none() && (byte == delimiter || byte == b'\n' || byte == b'\r');
    }
    opened
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(sheet: &Sheet) -> Vec<(usize, Vec<(&str, &str)>)> {
        sheet.rows.iter().map(|row| (row.number, row.cells.iter().map(|(name, cell)| (name.as_str(), cell.as_str())).collect())).collect()
    }

    #[test]
    fn what_spreadsheets_write_is_read() {
        for text in [
            "Motorcycle,On,Performed By\nA,2026-05-02,\"Moss, R.\"\n\nB,2026-05-03,\"two\nlines \"\"x\"\"\"\nC,2026-05-04,R\n",
            "motorcycle;on;performed-by\r\nA;2026-05-02;\"Moss, R.\"\r\n\r\nB;2026-05-03;\"two\nlines \"\"x\"\"\"\r\nC;2026-05-04;R",
            "MOTORCYCLE\tON\tperformed by\nA\t2026-05-02\tMoss, R.\n\nB\t2026-05-03\t\"two\nlines \"\"x\"\"\"\nC\t2026-05-04\tR",
        ] {
            let sheet = Sheet::from_csv(text).unwrap();
            assert_eq!(sheet.columns, ["motorcycle", "on", "performed_by"]);
            let all = cells(&sheet);
            assert_eq!(all[0], (2, vec![("motorcycle", "A"), ("on", "2026-05-02"), ("performed_by", "Moss, R.")]), "{text}");
            assert_eq!(all[1], (4, vec![("motorcycle", "B"), ("on", "2026-05-03"), ("performed_by", "two\nlines \"x\"")]), "{text}");
            assert_eq!(all[2].0, 5, "{text}");
        }
    }
    #[test]
    fn ragged_rows_and_open_quotes_are_found() {
        let sheet = Sheet::from_csv("a,b\n1\n1,2,3\n1,2,\n,\n").unwrap();
        let wrong: Vec<_> = sheet.rows.iter().map(|row| (row.number, row.wrong.is_some())).collect();
        assert_eq!(wrong, [(2, true), (3, true), (4, false)]);
        for (text, line) in [("a,b\n1,\"2\n3,4\n", 2), ("\"a,b\n", 1), ("a\n\"x\"\n\"\"\"\n", 3)] {
            assert!(Sheet::from_csv(text).unwrap_err().0.contains(&format!("line {line} ")), "{text}");
        }
        // A mark inside a cell that does not begin with one is a letter: 5" is five inches.
        assert_eq!(cells(&Sheet::from_csv("a,b\n5\" pipe,x\n").unwrap())[0].1[0], ("a", "5\" pipe"));
        assert!(Sheet::from_csv("").is_err());
    }
    #[test]
    fn encodings_are_told_apart() {
        let utf16: Vec<u8> = [0xff, 0xfe].into_iter().chain("ä\n".encode_utf16().flat_map(u16::to_le_bytes)).collect();
        let big: Vec<u8> = [0xfe, 0xff].into_iter().chain("ä\n".encode_utf16().flat_map(u16::to_be_bytes)).collect();
        for bytes in ["ä\n".as_bytes(), "\u{feff}ä\n".as_bytes(), &utf16, &big] {
            assert_eq!(decode(bytes).unwrap(), "ä\n");
        }
        assert!(decode(b"a\nb\xe4\n").unwrap_err().0.contains("line 2"));
        assert!(decode(&utf16[2..]).is_err() && decode(&[0xff, 0xfe, 0]).is_err());
    }
    #[test]
    fn objects_become_columns() {
        let sheet =
            Sheet::from_ndjson("{\"name\": \"A\", \"year\": 2021, \"vin\": null, \"records_begin\": {\"odometer\": 0.50}}\n\n[1]\n")
                .unwrap();
        assert_eq!(sheet.columns, ["name", "records_begin.odometer", "year"]);
        assert_eq!(cells(&sheet)[0], (1, vec![("name", "A"), ("records_begin.odometer", "0.50"), ("year", "2021")]));
        assert!(sheet.rows[1].number == 3 && sheet.rows[1].wrong.is_some());
    }
}
