//! What each role finds on the pages: every link that is shown opens, nothing of what is not theirs stands anywhere, and no form is offered
//! that would be refused.
use std::collections::{BTreeMap, VecDeque};

use serde_json::json;

use crate::{
    harness::{Server, on_both_engines},
    reader::Reader,
};

const PASSWORD: &str = "kettle moss crane";

/// Somebody with a role, signed in.
pub async fn somebody(server: &Server, role: &str, owner: Option<&str>) -> Reader {
    let email = format!("{role}@example.org");
    let invited = server.post("/people", &json!({"email": email, "name": role, "roles": [role], "owner_id": owner})).await.created();
    let link = invited["link"].as_str().expect("a link").to_owned();
    let reader = Reader::new(server);
    let page = reader.send(&link, &[("name", role), ("password", PASSWORD)]).await;
    assert_eq!(page.status, 303, "{}", page.text);
    reader
}

/// Every page that can be reached by links, with the status that it answered.
async fn crawl(reader: &Reader) -> BTreeMap<String, (u16, String)> {
    let (mut seen, mut todo) = (BTreeMap::new(), VecDeque::from(["/".to_owned()]));
    while let Some(path) = todo.pop_front() {
        if seen.contains_key(&path) || seen.len() > 300 {
            continue;
        }
        let page = reader.get(&path).await;
        for link in page.text.split("href=\"/").skip(1) {
            let link = link.split(['"', '#']).next().unwrap_or_default().replace("&amp;", "&");
            if !link.starts_with("assets/") {
                todo.push_back(format!("/{link}"));
            }
        }
        seen.insert(path, (page.status, page.text));
    }
    seen
}

on_both_engines!(every_link_that_is_shown_opens_and_none_leads_to_others, async |server| {
    let ada = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let bo = server.post("/owners", &json!({"name": "Bo Secretive", "notes": "pays late"})).await.id();
    for (name, owner) in [("Courier 3", &ada), ("Hidden Ferry", &bo)] {
        let bike = server.motorcycle(json!({"name": name, "owner_id": owner})).await;
        server.reading(&bike, "2026-05-01", 4000).await.created();
        let work = json!({"on": "2026-06-01", "odometer": 5000, "summary": format!("Chain of {name}"), "internal_notes": "kept inside",
            "work": [{"component": "drive_chain", "operation": "adjust"}],
            "fitted": [{"component": "brake_pads", "position": "rear", "description": format!("Pads of {name}")}]});
        server.post(&format!("{bike}/service-events"), &work).await.created();
    }
    let rule =
        json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"distance": {"value": 500, "unit": "mi"}}});
    server.post("/interval-rules", &rule).await.created();
    let procedure =
        json!({"title": "Refit the rear wheel", "component": "wheel", "operation": "fit", "steps": [{"text": "Clean the axle"}]});
    server.post("/procedures", &procedure).await.created();
    let roles = [("owner", Some(ada.as_str()), 12), ("mechanic", None, 20), ("manager", None, 30)];
    for (role, owner, least) in roles {
        let reader = somebody(&server, role, owner).await;
        let pages = crawl(&reader).await;
        assert!(pages.len() >= least, "{role} reaches {} pages", pages.len());
        for (path, (status, text)) in &pages {
            // One that is asked for a list begins at the list again.
            assert!(matches!(status, 200 | 303), "{role} is shown a link to {path}, which answers {status}");
            let hidden: &[&str] = if role == "owner" { &["Hidden Ferry", "Secretive", "pays late", "kept inside"] } else { &[] };
            for word in hidden {
                assert!(!text.contains(word), "{role} reads {word:?} on {path}");
            }
            let offered: Vec<_> = text.split("action=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
            for (form, least) in FORMS {
                let is_offered = offered.iter().any(|action| action.ends_with(form));
                assert!(!is_offered || allowed(role, least), "{role} is offered {form} on {path}");
            }
        }
    }
});

/// Forms by the end of their address, and who may send them.
const FORMS: &[(&str, &str)] = &[
    ("/readings/change", "mechanic"),
    ("/strike-out", "mechanic"),
    ("/lay-ups", "mechanic"),
    ("/signature", "mechanic"),
    ("/amendments", "mechanic"),
    ("/archive", "mechanic"),
    ("/hand-on", "mechanic"),
    ("/withdraw", "mechanic"),
    ("/edit", "mechanic"),
    ("/parts", "mechanic"),
    ("/rules", "manager"),
    ("/rules/copy", "manager"),
    ("/rotate", "manager"),
    ("/revoke", "owner"),
    ("/workshop", "manager"),
    ("/erase", "manager"),
];
fn allowed(role: &str, least: &str) -> bool {
    let rank = |role: &str| ["owner", "mechanic", "manager"].iter().position(|known| *known == role);
    rank(role) >= rank(least)
}
