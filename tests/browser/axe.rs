//! Every page against the accessibility rules of axe-core (WCAG 2.2 AA), what the browser complains of, and how much a page weighs.
use std::collections::{BTreeMap, VecDeque};

use serde_json::Value;

use super::{
    browser::Browser,
    workshop::{Script, Workshop},
};

/// The most that a page weighs with its style and script, uncompressed.
const HEAVIEST: u64 = 60 * 1024;

/// A path with its ids left out: pages of one kind are looked at a few times, not for every motorcycle.
fn kind_of(path: &str) -> String {
    let path = path.split(['?', '#']).next().unwrap_or_default();
    path.split('/').map(|part| if part.len() == 36 && part.contains('-') { "{id}" } else { part }).collect::<Vec<_>>().join("/")
}

const LINKS: &str = "return [...document.querySelectorAll('a[href]')].map(a => a.getAttribute('href')).filter(h => h.startsWith('/') && !h.startsWith('//') && !h.startsWith('/api/') && !h.startsWith('/assets/'))";
/// The bytes of the page, its style and its script, as they came in before any packing.
const WEIGHT: &str = "const of = kind => performance.getEntriesByType(kind).filter(e => kind == 'navigation' || /\\.(css|js)$/.test(e.name)).reduce((sum, e) => sum + e.decodedBodySize, 0); return of('navigation') + of('resource')";
const RUN: &str = "const done = arguments[arguments.length - 1]; axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']}).then(r => done(r.violations.map(v => v.id + ': ' + v.nodes.map(n => n.html).slice(0, 3).join(' | '))), e => done(['axe failed: ' + e]))";

fn strings(value: &Value) -> Vec<String> {
    value.as_array().into_iter().flatten().filter_map(Value::as_str).map(str::to_owned).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn every_page_is_accessible_light_and_without_complaints() {
    let axe = std::env::var("WITNESSMARK_TEST_AXE").expect("WITNESSMARK_TEST_AXE is not set: run the tests by `sh tests/run`");
    let axe = std::fs::read_to_string(axe).expect("axe-core can be read");
    let workshop = Workshop::open(Script::On).await;
    let browser = Browser::start(360).await;
    browser.sign_in(&workshop.site, &workshop.email, &workshop.password).await;
    let mut todo = VecDeque::from(["/".to_owned()]);
    let mut seen = BTreeMap::<String, usize>::new();
    let mut wrong = Vec::new();
    while let Some(path) = todo.pop_front() {
        let times = seen.entry(kind_of(&path)).or_default();
        if *times >= 2 {
            continue;
        }
        *times += 1;
        browser.page.goto(&format!("{}{path}", workshop.site)).await.expect("a page");
        let say = |what: String| format!("{path}: {what}");
        let title = browser.page.title().await.expect("a title");
        if title.is_empty() || title.contains("Not Found") {
            wrong.push(say(format!("is not there ({title:?})")));
        }
        wrong.extend(browser.complaints().await.into_iter().map(|what| say(format!("the browser says {what}"))));
        let weight = browser.page.execute(WEIGHT, vec![]).await.expect("its weight").as_u64().expect("a number of bytes");
        assert!(weight > 10_000, "{path}: the style sheet was not weighed ({weight} bytes)");
        if weight > HEAVIEST {
            wrong.push(say(format!("weighs {weight} bytes")));
        }
        browser.page.execute(&axe, vec![]).await.expect("axe-core is taken in");
        let violations = browser.page.execute_async(RUN, vec![]).await.expect("axe-core runs");
        wrong.extend(strings(&violations).into_iter().map(say));
        todo.extend(strings(&browser.page.execute(LINKS, vec![]).await.expect("its links")));
    }
    println!("looked at {} kinds of pages: {:?}", seen.len(), seen.keys().collect::<Vec<_>>());
    assert!(seen.len() >= 15, "only these pages were found: {seen:?}");
    assert!(wrong.is_empty(), "{} things are wrong:\n{}", wrong.len(), wrong.join("\n"));
    browser.close().await;
}
