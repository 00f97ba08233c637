//! `/due/by-month`: how much falls due in each of the next twelve months, for what the reader sees.
use std::sync::Arc;

use askama::Template;
use axum::{
    extract::State,
    response::{IntoResponse, Response},
};

use super::{
    answer::Page,
    chart::percent,
    fault::Fault,
    frame::{Frame, Nav},
    guard::Visitor,
};
use crate::{
    actions::{
        App,
        due::{self as actions, DueInMonth},
    },
    domain::{calendar, quantity::grouped},
};

/// How much of the chart's height the tallest bar takes, in percent: above it stands its figure.
const TALLEST: f64 = 88.0;

#[derive(Template)]
#[template(path = "due_by_month.html", whitespace = "minimize")]
struct ByMonthPage {
    frame: Frame,
    title: String,
    bars: Vec<Bar>,
    rows: Vec<Row>,
    empty: bool,
}
/// A month as a bar; places in percent.
struct Bar {
    x: String,
    width: String,
    y: String,
    height: String,
    middle: String,
    count: String,
    /// The month's name; every other one, for they would touch at 360 px.
    name: String,
}
struct Row {
    name: String,
    count: String,
    motorcycles: String,
}

/// `now`, then `Dec`; January tells its year.
fn short(month: &DueInMonth) -> String {
    let Some(first) = month.month else { return "now".into() };
    let words = calendar::month_year(first);
    let (name, year) = words.split_once(' ').unwrap_or((&words, ""));
    if first.month() == time::Month::January { year.into() } else { name.chars().take(3).collect() }
}

#[expect(clippy::cast_precision_loss, reason = "counts of due items are far below 2^53")]
fn bars(months: &[DueInMonth]) -> Vec<Bar> {
    let most = months.iter().map(|month| month.items).max().unwrap_or(0).max(1) as f64;
    let step = 100.0 / months.len().max(1) as f64;
    let bar = |(place, month): (usize, &DueInMonth)| {
        let (x, height) = (place as f64 * step, TALLEST * month.items as f64 / most);
        Bar {
            x: percent(x + 0.15 * step),
            width: percent(0.7 * step),
            y: percent(100.0 - height),
            height: percent(height),
            middle: percent(x + 0.5 * step),
            count: if month.items == 0 { String::new() } else { month.items.to_string() },
            name: if place % 2 == 0 { short(month) } else { String::new() },
        }
    };
    months.iter().enumerate().map(bar).collect()
}

#[expect(clippy::cast_precision_loss, reason = "counts of due items are far below 2^53")]
fn figure(count: i64) -> String {
    grouped(count as f64)
}

fn title(months: &[DueInMonth]) -> String {
    let (now, ahead) = months.split_at(1.min(months.len()));
    let waiting: i64 = now.iter().map(|month| month.items).sum();
    let total: i64 = ahead.iter().map(|month| month.items).sum();
    let most = ahead.iter().map(|month| month.items).max().unwrap_or(0);
    let mut peaks = ahead.iter().filter(|month| month.items == most);
    // Where several months have as many, or all of it falls in one, no month stands out.
    let peak = peaks.next().filter(|_| peaks.next().is_none() && most < total).and_then(|month| month.month);
    let most = peak.map(|month| format!(", the most in {} ({})", calendar::month_year(month), figure(most))).unwrap_or_default();
    let wait = if waiting == 1 { "waits" } else { "wait" };
    let fall = if total == 1 { "falls" } else { "fall" };
    let end = ahead.last().and_then(|month| month.month).map(|last| format!(" by the end of {}", calendar::month_year(last)));
    format!("{} {wait} already; {} {fall} due{}{most}.", figure(waiting), figure(total), end.unwrap_or_default())
}

pub(super) async fn show(State(app): State<Arc<App>>, visitor: Visitor) -> Result<Response, Fault> {
    let mut work = app.read(&visitor.caller).await?;
    let months = actions::by_month(&mut work).await?;
    let row = |month: &DueInMonth| Row {
        name: month.month.map_or_else(|| "Waiting already".into(), calendar::month_year),
        count: figure(month.items),
        motorcycles: figure(month.motorcycles),
    };
    let page = ByMonthPage {
        frame: visitor.frame(&work, Nav::Due).below().with_caution(),
        title: title(&months),
        bars: bars(&months),
        rows: months.iter().map(row).collect(),
        empty: months.iter().all(|month| month.items == 0),
    };
    Ok(Page(page).into_response())
}

#[cfg(test)]
mod tests {
    use time::macros::date;

    use super::*;

    fn month(month: Option<time::Date>, items: i64) -> DueInMonth {
        DueInMonth { month, items, motorcycles: items.min(2) }
    }

    #[test]
    fn the_sentence_says_what_the_bars_show() {
        let months = [month(None, 1), month(Some(date!(2026 - 11 - 01)), 3), month(Some(date!(2026 - 12 - 01)), 12)];
        assert_eq!(title(&months), "1 waits already; 15 fall due by the end of Dec 2026, the most in Dec 2026 (12).");
        let even = [month(None, 0), month(Some(date!(2026 - 11 - 01)), 2), month(Some(date!(2026 - 12 - 01)), 2)];
        assert_eq!(title(&even), "0 wait already; 4 fall due by the end of Dec 2026.", "no month stands out");
        let bars = bars(&months);
        assert_eq!((bars[2].height.as_str(), bars[2].y.as_str(), bars[2].count.as_str()), ("88.0%", "12.0%", "12"));
        assert_eq!(
            (bars[1].height.as_str(), bars[0].name.as_str(), bars[1].name.as_str(), bars[2].name.as_str()),
            ("22.0%", "now", "", "Dec")
        );
        assert_eq!(title(&[month(None, 0)]), "0 wait already; 0 fall due.");
    }
}
