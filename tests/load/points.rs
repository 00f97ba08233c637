//! A million due points from nothing but what was done and twenty rules: here on one thread, and by a columnar SQL engine. Both begin with
//! the same plain rows in memory, find what was last done for each rule, and have to come to the same sums.
use std::{hint::black_box, io::Write, path::Path, process::Command, time::Instant};

use time::Date;
use witnessmark::domain::{
    interval::{Base, Doing, Terms, next_point},
    quantity::{Distance, Figure},
    words::OdometerUnit,
};

use super::{Line, fleet};

const BIKES: u32 = 50_000;

/// What both have to agree on: how many points, their miles together, the last of their days.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Sums {
    points: usize,
    miles: i64,
    last: Date,
}

/// The points worked out here.
pub struct Here {
    seconds: f64,
    sums: Sums,
}

fn today() -> Date {
    Date::from_ordinal_date(2026, 152).expect("a day")
}

/// By the engine's own code, with what was done sorted by rule anew for each motorcycle: rules counted from what was last done, without projection.
pub fn here() -> (Here, Line) {
    let rules = (0..).zip(fleet::rules()).map(|(nth, rule)| fleet::in_memory(rule, nth));
    let terms: Vec<_> = rules.map(|rule| Terms::of(&rule, &Figure::from(1))).collect();
    let bikes: Vec<_> = (0..BIKES).map(fleet::visits).collect();
    let mut found: Option<Here> = None;
    for _ in 0..7 {
        let start = Instant::now();
        let sums = black_box(sums(&terms, black_box(&bikes)));
        let seconds = start.elapsed().as_secs_f64();
        if found.as_ref().is_none_or(|best| seconds < best.seconds) {
            found = Some(Here { seconds, sums });
        }
    }
    let found = found.expect("it was worked out");
    let line = Line {
        what: format!("{} due points in memory on one core, best of 7", found.sums.points),
        measured: format!("{:.3} s", found.seconds),
        ratio: Some(found.seconds),
        wanted: Some((false, 0.15)),
    };
    (found, line)
}

fn sums(terms: &[Terms], bikes: &[Vec<fleet::Visit>]) -> Sums {
    let (mut points, mut ticks, mut last) = (0, 0, Date::MIN);
    let mut by_rule: Vec<Vec<Doing>> = vec![Vec::new(); terms.len()];
    for visits in bikes {
        let first = fleet::days_before(today(), visits[0].days_ago + 40);
        let base = Base { distance: Some(0), on: Some(first), ..Base::default() };
        by_rule.iter_mut().for_each(Vec::clear);
        for visit in visits {
            let distance = Some(Distance::new(visit.miles.into(), OdometerUnit::Mi).mm());
            by_rule[visit.work].push(Doing { distance, hours: None, on: fleet::days_before(today(), visit.days_ago) });
        }
        for (terms, done) in terms.iter().zip(&by_rule) {
            let next = next_point(terms, &base, done);
            points += usize::from(!next.unknown());
            ticks += next.distance.point().unwrap_or(0);
            last = next.date.point().map_or(last, |on| last.max(on));
        }
    }
    Sums { points, miles: ticks / Distance::new(1.0, OdometerUnit::Mi).mm(), last }
}

/// By a columnar engine, which reads what was done from a file first.
pub fn columnar(programs: &Path, folder: &Path, here: &Here) -> Vec<Line> {
    let path = folder.join("done.csv");
    let mut file = std::io::BufWriter::new(std::fs::File::create(&path).expect("a file"));
    for bike in 0..BIKES {
        for visit in fleet::visits(bike) {
            writeln!(file, "{bike},{},{},{}", visit.work, visit.miles, visit.days_ago).expect("a row");
        }
    }
    file.flush().expect("it is written");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/load/columnar.py");
    let said = Command::new(programs.join("python")).arg(script).arg(&path).output().expect("the peer runs");
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    let line = |line: &str| {
        let [threads, seconds, points, miles, last] = line.split(' ').collect::<Vec<_>>()[..] else { panic!("five figures: {line}") };
        let format = time::macros::format_description!("[year]-[month]-[day]");
        let sums = Sums {
            points: points.parse().expect("points"),
            miles: miles.parse().expect("miles"),
            last: Date::parse(last, format).expect("a day"),
        };
        assert_eq!(sums, here.sums, "the engine comes to the same");
        let seconds: f64 = seconds.parse().expect("seconds");
        Line {
            what: format!("a million due points here, beside a columnar SQL engine (duckdb) on {threads} threads; both to the same sums"),
            measured: format!("{:.3} s, {seconds:.3} s", here.seconds),
            ratio: Some(here.seconds / seconds),
            wanted: Some((false, 1.0)),
        }
    };
    String::from_utf8_lossy(&said.stdout).lines().map(line).collect()
}
