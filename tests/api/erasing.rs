//! Erasing a person: the whole database is walked afterwards, every column of text of every table; and what goes with whoever leaves.
use std::collections::BTreeMap;

use reqwest::{Client, Method, multipart};
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, Connection, PgConnection, SqliteConnection};
use witnessmark::{
    actions::check,
    domain::{id::Id, workshop::Person},
    store::{self, account_link::EmailChange, erasure},
};

use crate::harness::{Engine, Server, database::PASSWORD, on_both_engines, server::now};

const ADAS: &str = "kettle moss crane";
/// Everything by which she is known, or was before she changed it.
const TRACES: &[&str] =
    &["ada birch", "birch-moss", "ada elm", "ada@example.org", "ada.elm@example.org", "912 345 678", "912345678", "mill lane"];

/// A browser with cookies; it follows nothing.
struct Browser(Client, String);
impl Browser {
    fn new(server: &Server) -> Self {
        let client = Client::builder().cookie_store(true).redirect(reqwest::redirect::Policy::none()).build().unwrap();
        Self(client, server.address.clone())
    }
    async fn send(&self, path: &str, fields: &[(&str, &str)]) -> (u16, String) {
        let answer = self.0.post(format!("{}{path}", self.1)).form(fields).send().await.unwrap();
        (answer.status().as_u16(), answer.text().await.unwrap())
    }
    async fn get(&self, path: &str) -> (u16, String) {
        let answer = self.0.get(format!("{}{path}", self.1)).send().await.unwrap();
        (answer.status().as_u16(), answer.text().await.unwrap())
    }
    async fn signs_in(&self, email: &str, password: &str) -> u16 {
        self.send("/sign-in", &[("email", email), ("password", password)]).await.0
    }
    /// Makes a token on the page.
    async fn token(&self, name: &str) -> String {
        let page = self.get("/tokens").await.1;
        let once = page.split("name=\"once\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
        let fields = [("once", once.as_str()), ("name", name), ("scopes", "read"), ("scopes", "write"), ("scopes", "admin")];
        let (status, page) = self.send("/tokens", &fields).await;
        let secret = page.split("wmk_").nth(1).unwrap_or_else(|| panic!("{status} {page}"));
        format!("wmk_{}", secret.split(['<', '"', ' ']).next().unwrap())
    }
}

/// Somebody who has come in; gives the path of the person, and the browser.
async fn comes_in(server: &Server, name: &str, email: &str, roles: Value, owner: Option<&str>) -> (String, Browser) {
    let body = json!({"email": email, "name": name, "roles": roles, "owner_id": owner});
    let invited = server.post("/people", &body).await.created();
    let link = invited["link"].as_str().unwrap();
    let link = link.strip_prefix("https://bikes.example.org").unwrap_or(link);
    let browser = Browser::new(server);
    assert_eq!(browser.send(link, &[("name", name), ("password", ADAS)]).await.0, 303);
    (format!("/people/{}", invited["id"].as_str().unwrap()), browser)
}

/// Every column of text with what stands in it, in lower case.
async fn columns(server: &Server) -> BTreeMap<String, Vec<String>> {
    let mut all = BTreeMap::new();
    if server.url.starts_with("postgres") {
        let mut connection = PgConnection::connect(&server.url).await.unwrap();
        let sql = "select table_name::text, column_name::text from information_schema.columns
                   where table_schema = 'public' and data_type in ('text', 'character varying')";
        let found: Vec<(String, String)> = sqlx::query_as(sql).fetch_all(&mut connection).await.unwrap();
        for (table, column) in found {
            let sql = AssertSqlSafe(format!("select lower({column}) from {table} where {column} is not null"));
            all.insert(format!("{table}.{column}"), sqlx::query_scalar(sql).fetch_all(&mut connection).await.unwrap());
        }
    } else {
        let mut connection = SqliteConnection::connect(&server.url).await.unwrap();
        let sql = "select m.name, c.name from sqlite_master m join pragma_table_info(m.name) c where m.type = 'table' and c.type = 'TEXT'";
        let found: Vec<(String, String)> = sqlx::query_as(sql).fetch_all(&mut connection).await.unwrap();
        for (table, column) in found {
            let sql = AssertSqlSafe(format!("select lower({column}) from {table} where {column} is not null"));
            all.insert(format!("{table}.{column}"), sqlx::query_scalar(sql).fetch_all(&mut connection).await.unwrap());
        }
    }
    all.retain(|column, _| !column.starts_with("_sqlx"));
    all
}
/// The columns in which one of these stands.
async fn holding(server: &Server, traces: &[&str]) -> Vec<String> {
    let all = columns(server).await;
    let held = all.into_iter().filter(|(_, texts)| texts.iter().any(|text| traces.iter().any(|trace| text.to_lowercase().contains(trace))));
    held.map(|(column, _)| column).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_column_of_text_is_walked_or_holds_nobody() {
    crate::harness::server::run(Engine::Sqlite, async |server| {
        let walked: Vec<String> = erasure::WALKED
            .iter()
            .flat_map(|walked| walked.columns.iter().map(move |column| format!("{}.{}", walked.table, column.0)))
            .collect();
        let schema: Vec<String> = columns(&server).await.into_keys().collect();
        for column in &schema {
            let table = column.split('.').next().unwrap();
            let places = [walked.contains(column), erasure::WORDLESS.contains(&column.as_str()), erasure::WORDLESS.contains(&table)];
            assert_eq!(places.iter().filter(|place| **place).count(), 1, "{column}: say in store/erasure.rs whether people write there");
        }
        for known in walked.iter().map(String::as_str).chain(erasure::WORDLESS.iter().copied()) {
            assert!(schema.iter().any(|column| column == known || column.split('.').next() == Some(known)), "{known} is not in the schema");
        }
    })
    .await;
}

/// A workshop in which she stands everywhere; gives her path, her owner record's, the motorcycle's and the service's.
async fn full_of_her(server: &Server) -> [String; 4] {
    let mailing = server.mailing_at("https://bikes.example.org", now()).await;
    let (new, by_her) = (
        json!({"name": "Ada Elm", "email": "Ada.Elm@example.org", "phone": "+351 912 345 678", "notes": "3 Mill Lane",
        "reports": {"frequency": "weekly"}}),
        "as Ada Birch (ada@example.org, 912345678) asked",
    );
    let owner = format!("/owners/{}", server.post("/owners", &new).await.id());
    server.change(&owner, &json!({"name": "Ada Birch", "email": "ada@example.org"})).await.ok();
    let owner_id = owner.rsplit('/').next().unwrap();
    let reports = json!({"frequency": "daily", "to": ["ada@example.org", "bo@example.org"]});
    server.change("/workshop", &json!({"reports": reports})).await.ok();
    let (person, browser) = comes_in(&mailing, "Ada Birch", "ada@example.org", json!(["mechanic", "owner"]), Some(owner_id)).await;
    browser.send("/account/name", &[("name", "Ada Birch-Moss")]).await;
    Browser::new(server).signs_in("ada@example.org", "not the right one").await;
    let other = Browser::new(server);
    assert_eq!(other.signs_in("ada@example.org", ADAS).await, 303);
    assert_eq!(other.send("/sign-out", &[]).await.0, 303);
    server.post("/owners", &json!({"name": "Bo Reed", "notes": format!("neighbor, {by_her}")})).await.created();

    let bike = server.motorcycle(json!({"name": "Ada Birch's Courier", "owner_id": owner_id, "notes": by_her})).await;
    assert_eq!(browser.send(&format!("{bike}/readings"), &[("on", "2026-06-14"), ("reading", "5500"), ("confirmed", "yes")]).await.0, 303);
    let id = bike.rsplit('/').next().unwrap();
    server.post("/components", &json!({"key": "x_sidecar_hitch", "name": "Hitch of Ada Birch", "part": true})).await.created();
    let every = json!({"distance": {"value": 500, "unit": "mi"}});
    let rule =
        json!({"name": by_her, "component": "drive_chain", "operation": "adjust", "every": every, "applies_to": {"motorcycle_id": id}});
    server.post("/interval-rules", &rule).await.created();
    let limit = json!({"component": "brake_pads", "quantity": "thickness", "lower": 1.5, "unit": "mm", "kind": "wear", "source": by_her,
        "applies_to": {"motorcycle_id": id}});
    server.post("/limits", &limit).await.created();
    let fastener =
        json!({"key": "rear_axle_nut", "name": by_her, "component": "axle", "stages": [{"lower": 105, "upper": 115, "unit": "N.m"}]});
    server.post("/fasteners", &fastener).await.created();
    let made = server.post("/tokens", &json!({"name": "Ada Birch's script", "scopes": ["read", "write"]})).await.created();
    let script = server.with_token(made["token"].as_str().unwrap());
    server
        .allowing_private_webhooks()
        .await
        .post("/webhooks", &json!({"url": "https://hooks.example.org/x", "events": ["service.logged"], "name": by_her}))
        .await
        .created();

    let events = format!("{bike}/service-events");
    let event = json!({"on": "2026-05-01", "odometer": 5000, "summary": format!("Chain {by_her}"), "performed_by": "ada birch", "notes": by_her,
        "internal_notes": by_her, "cost": {"amount": "84.50", "currency": "EUR"},
        "work": [{"component": "drive_chain", "operation": "adjust", "note": by_her}],
        "fitted": [{"component": "brake_pads", "position": "rear", "description": by_her, "part_number": "AB 1"}],
        "measured": [{"component": "brake_pads", "position": "rear", "quantity": "thickness", "readings": [4.1], "unit": "mm"}],
        "follow_ups": [{"text": by_her, "component": "drive_chain", "in": {"months": 2}}]});
    let keyed = script.request(Method::POST, &events).header("idempotency-key", "one").json(&event);
    let event = format!("/service-events/{}", script.send(keyed).await.created()["id"].as_str().unwrap());
    script.post(&format!("{event}/signature"), &json!({"statement": by_her})).await.created();
    script.post(&format!("{event}/amendments"), &json!({"text": by_her})).await.created();
    let reading = json!({"on": "2026-06-01", "reading": 5400, "confirmed": true, "read_by": "ADA BIRCH"});
    let reading = format!("/odometer-readings/{}", server.post(&format!("{bike}/odometer-readings"), &reading).await.id());
    let etag = server.get(&reading).await.etag();
    server.delete(&format!("{reading}?reason=Ada%20Birch%20mistyped"), &etag).await.with(204);
    server
        .post(
            &format!("{bike}/odometers"),
            &json!({"on": "2026-06-10", "kind": "replaced", "old_final": 5450, "new_start": 0, "reason": by_her}),
        )
        .await
        .created();
    server.post(&format!("{bike}/lay-ups"), &json!({"from": "2025-12-01", "to": "2026-02-28", "note": by_her})).await.created();
    let file = multipart::Part::bytes(b"%PDF-1.4 nothing".to_vec()).file_name("Ada Birch.pdf");
    let form = multipart::Form::new().text("belongs_to", id.to_owned()).part("file", file);
    server.send(server.request(Method::POST, "/attachments").multipart(form)).await.created();
    script.post("/calendars", &json!({})).await.created();
    mailing.post(&format!("{bike}/offers"), &json!({"to_email": "ada@example.org"})).await.created();
    mailing.post("/people", &json!({"email": "cy@example.org", "name": "Cy Marsh", "roles": ["mechanic"]})).await.created();
    [person, owner, bike, event]
}

/// What must be true after she was erased from [`full_of_her`].
async fn is_gone(server: &Server, bike: &str, event: &str) {
    assert_eq!(holding(server, TRACES).await, Vec::<String>::new());
    let told = server.get(event).await.ok();
    assert_eq!((&told["performed_by"], &told["signature"]["by"]), (&json!("Erased person 1"), &json!("token Erased person 1's script")));
    assert_eq!(told["summary"], "Chain as Erased person 1 ([erased], [erased]) asked");
    assert_eq!((&told["cost"]["amount"], &told["odometer"]), (&json!("84.50"), &json!(5000)));
    let bike = server.get(bike).await.ok();
    assert_eq!((&bike["name"], &bike["owner_id"]), (&json!("Erased person 1's Courier"), &Value::Null));
    assert_eq!(server.count("/motorcycles?q=erased%20person%201").await, 1, "it is found by its new name");
    assert_eq!(server.get("/workshop").await.ok()["reports"]["to"], json!(["bo@example.org"]));
    let checked = check::check(&server.app.store).await.unwrap();
    assert!(checked.motorcycles > 0 && checked.differences.is_empty(), "{:#?}", checked.differences);
    let audit = server.all("/audit").await;
    let row = audit.iter().find(|entry| entry["action"] == "erase").expect("it is audited");
    assert_eq!((&row["who"], &row["old"], &row["new"]), (&json!("token made at setup"), &Value::Null, &json!({"name": "Erased person 1"})));
    let hers: Vec<_> = audit.iter().filter(|entry| entry["who"] == "Erased person 1").collect();
    assert!(hers.iter().any(|entry| entry["action"] == "record") && hers.iter().all(|entry| entry["address"].is_null()), "{hers:#?}");
    assert!(audit.iter().any(|entry| entry["action"] == "invite" && entry["new"]["name"] == "Cy Marsh"), "others keep their names");
    // What waited to be sent to her is not sent, and what waits for others is.
    let waiting = columns(server).await.remove("letter.recipient").unwrap();
    assert!(waiting.contains(&String::new()) && waiting.contains(&"cy@example.org".to_owned()), "{waiting:?}");
}

on_both_engines!(an_erased_person_stands_nowhere_any_more, async |server| {
    let [person, owner, bike, event] = full_of_her(&server).await;
    let held = holding(&server, TRACES).await;
    let letters_and_more = [
        "letter.recipient",
        "letter.text",
        "person.email",
        "membership.name",
        "idempotency_key.answer",
        "audit.old_value",
        "audit.new_value",
        "audit.who",
        "owner.body",
        "workshop.reports",
        "report_recipient.address",
        "offer.to_email",
        "amendment.text",
        "service_event.signature",
        "reading.read_by",
        "reading.struck_reason",
        "component.name",
        "attachment.name",
        "due_item.body",
        "api_token.name",
        "calendar.made_by",
        "webhook.body",
        "motorcycle.words",
        "follow_up.text",
        "lay_up.note",
        "instrument.reason",
        "limit_range.body",
        "fastener.body",
        "work_line.note",
        "installed_part.description",
    ];
    for column in letters_and_more {
        assert!(held.contains(&column.to_owned()), "the test must fill {column}: {held:?}");
    }
    server.remove(&format!("{person}?erase=true")).await.with(204);
    is_gone(&server, &bike, &event).await;
    server.get(&person).await.problem(404);
    server.get(&owner).await.problem(404);
    server.delete(&format!("{person}?erase=true"), "*").await.problem(404);
    // The account is gone: the address is as unknown as any other.
    assert_eq!(Browser::new(&server).signs_in("ada@example.org", ADAS).await, 401);
});

on_both_engines!(an_erased_owner_stands_nowhere_any_more, async |server| {
    let [person, owner, bike, event] = full_of_her(&server).await;
    // Whoever may change owners may not erase them without the scope admin.
    let made = server.post("/tokens", &json!({"name": "mechanic", "scopes": ["read", "write"]})).await.created();
    server.with_token(made["token"].as_str().unwrap()).delete(&format!("{owner}?erase=true"), "*").await.problem(403);
    server.send(server.request(Method::DELETE, &format!("{owner}?erase=true"))).await.problem(428);
    server.delete(&format!("{owner}?erase=true"), "\"old\"").await.problem(412);
    server.other_workshop().delete(&format!("{owner}?erase=true"), "*").await.problem(404);
    server.delete(&format!("{owner}?erase=maybe"), "*").await.problem(422);
    server.remove(&format!("{owner}?erase=true")).await.with(204);
    is_gone(&server, &bike, &event).await;
    server.get(&person).await.problem(404);
    // The next one has the next number.
    let bo = format!("/owners/{}", server.all("/owners").await[0]["id"].as_str().unwrap());
    assert_eq!(server.get(&bo).await.ok()["notes"], "neighbor, as Erased person 1 ([erased], [erased]) asked");
    server.remove(&bo).await.with(204);
    server.delete(&format!("{bo}?erase=true"), "*").await.with(204);
    assert_eq!(holding(&server, &["bo reed"]).await, Vec::<String>::new(), "who was deleted before can still be erased");
    assert!(server.get("/audit").await.text.contains("Erased person 2"));
});

on_both_engines!(whoever_was_taken_out_can_still_be_erased, async |server| {
    let (person, _) = comes_in(&server, "Ada Birch", "ada@example.org", json!(["mechanic"]), None).await;
    server.remove(&person).await.with(204);
    assert!(holding(&server, &["ada birch"]).await.contains(&"person.name".to_owned()));
    server.delete(&format!("{person}?erase=true"), "*").await.with(204);
    assert_eq!(holding(&server, &["ada birch", "ada@example.org"]).await, Vec::<String>::new());
    // An invitation that nobody accepted goes too.
    let invited = server.post("/people", &json!({"email": "bo@example.org", "name": "Bo Reed", "roles": ["mechanic"]})).await.id();
    server.remove(&format!("/people/{invited}?erase=true")).await.with(204);
    assert_eq!(holding(&server, &["bo reed", "bo@example.org"]).await, Vec::<String>::new());
});

on_both_engines!(the_last_manager_is_not_erased, async |server| {
    let people = server.get("/people").await.items();
    let first = format!("/people/{}", people[0]["id"].as_str().unwrap());
    let refused = server.remove(&format!("{first}?erase=true")).await;
    assert!(refused.problem(409)["detail"].as_str().unwrap().contains("only manager"), "{}", refused.text);
    assert_eq!(server.get(&first).await.ok()["name"], "first");
    // Nor two at once, who come in as one owner.
    let owner = server.post("/owners", &json!({"name": "Ada and Bo"})).await.id();
    server.change(&first, &json!({"roles": ["manager", "owner"], "owner_id": owner})).await.ok();
    let (second, _) = comes_in(&server, "Ada Birch", "ada@example.org", json!(["manager", "owner"]), Some(&owner)).await;
    assert!(server.remove(&format!("/owners/{owner}?erase=true")).await.problem(409)["detail"].as_str().unwrap().contains("only manager"));
    server.remove(&format!("{second}?erase=true")).await.with(204);
    assert_eq!(server.get(&format!("/owners/{owner}")).await.ok()["name"], "Ada and Bo", "others come in as this owner");
});

on_both_engines!(who_has_a_role_elsewhere_is_erased_here_alone, async |server| {
    let far = server.other_workshop();
    let (here, browser) = comes_in(&server, "Ada Birch", "ada@example.org", json!(["mechanic"]), None).await;
    let invited = far.post("/people", &json!({"email": "ada@example.org", "name": "Ada Birch", "roles": ["mechanic"]})).await.created();
    let (status, page) = browser.send(invited["link"].as_str().unwrap(), &[("name", "Ada Birch"), ("password", ADAS)]).await;
    assert_eq!(status, 303, "{page}");
    far.motorcycle(json!({"notes": "Ada Birch's own"})).await;
    let fars = far.get("/audit").await.text;
    server.remove(&format!("{here}?erase=true")).await.with(204);
    for path in ["/people", "/audit"] {
        let text = server.get(path).await.text.to_lowercase();
        assert!(!text.contains("ada birch") && !text.contains("ada@example.org"), "{path}: {text}");
    }
    assert_eq!(far.get("/audit").await.text, fars);
    assert!(far.get("/people").await.text.contains("ada@example.org"));
    let back = Browser::new(&server);
    assert_eq!(back.signs_in("ada@example.org", ADAS).await, 303);
    assert!(back.get("/motorcycles").await.1.contains("Hill Street Garage"));
    // Nothing in the records here leads to the account that she still has.
    let account = far.all("/audit").await.iter().find(|entry| entry["action"] == "sign_in").unwrap()["person_id"].clone();
    assert!(!server.get("/audit?limit=200").await.text.contains(account.as_str().unwrap()));
});

on_both_engines!(a_namesake_keeps_the_name, async |server| {
    let (ada, _) = comes_in(&server, "Ada Birch", "ada@example.org", json!(["mechanic"]), None).await;
    let (other, _) = comes_in(&server, "Ada Birch", "ada.two@example.org", json!(["mechanic"]), None).await;
    server.remove(&format!("{ada}?erase=true")).await.with(204);
    assert_eq!(server.get(&other).await.ok()["name"], "Ada Birch");
    let audit = server.all("/audit").await;
    let about = |path: &str| {
        let id = path.rsplit('/').next().unwrap().to_owned();
        audit.iter().find(|entry| entry["action"] == "invite" && entry["subject"]["id"] == id.as_str()).unwrap()["new"].clone()
    };
    assert_eq!((&about(&ada)["name"], &about(&ada)["email"]), (&json!("Erased person 1"), &Value::Null));
    assert_eq!((&about(&other)["name"], &about(&other)["email"]), (&json!("Ada Birch"), &json!("ada.two@example.org")));
});

on_both_engines!(tokens_go_with_whoever_answers_for_them, async |server| {
    let works = async |token: &str| server.with_token(token).get("/motorcycles").await.status;
    let (bo, browser) = comes_in(&server, "Bo Reed", "bo@example.org", json!(["manager"]), None).await;
    let mine = browser.token("script").await;
    // A token that a token makes is answered for by the same person.
    let theirs = server.with_token(&mine).post("/tokens", &json!({"name": "second", "scopes": ["read"]})).await.created();
    let theirs = theirs["token"].as_str().unwrap();
    let mut others = server.post("/tokens", &json!({"name": "third", "scopes": ["read"]})).await.created();
    let others = others["token"].take();
    assert_eq!((works(&mine).await, works(theirs).await), (200, 200));
    server.remove(&bo).await.with(204);
    for token in [mine.as_str(), theirs] {
        let refused = server.with_token(token).get("/motorcycles").await;
        assert!(refused.problem(401)["detail"].as_str().unwrap().contains("was revoked"), "{}", refused.text);
    }
    assert_eq!(works(others.as_str().unwrap()).await, 200);
    let revoked = server.all("/audit?subject_kind=token").await.iter().filter(|entry| entry["action"] == "revoke").count();
    assert_eq!(revoked, 2);
    // Whoever is no longer a manager keeps none either.
    let (cy, browser) = comes_in(&server, "Cy Marsh", "cy@example.org", json!(["manager"]), None).await;
    let script = browser.token("script").await;
    assert_eq!(works(&script).await, 200);
    server.change(&cy, &json!({"name": "Cy M. Marsh"})).await.ok();
    assert_eq!(works(&script).await, 200);
    server.change(&cy, &json!({"roles": ["mechanic"]})).await.ok();
    assert_eq!(works(&script).await, 401);
});

/// The audit rows about accounts, newest first, once there are so many: refused sign-ins are written after the answer.
async fn about_accounts(server: &Server, count: usize) -> Vec<Value> {
    for _ in 0..100 {
        let rows = server.all("/audit?subject_kind=account").await;
        if rows.len() >= count {
            return rows;
        }
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    panic!("{} rows, not {count}", server.count("/audit?subject_kind=account").await)
}

on_both_engines!(signing_in_and_out_is_audited, async |server| {
    const WRONG: &str = "not the right one";
    let browser = Browser::new(&server);
    assert_eq!(browser.signs_in("first@example.org", WRONG).await, 401);
    assert_eq!(browser.signs_in("nobody@example.org", WRONG).await, 401);
    let refused = about_accounts(&server, 1).await.remove(0);
    assert_eq!((&refused["action"], &refused["who"]), (&json!("refuse_sign_in"), &json!("somebody")));
    assert_eq!((&refused["new"], &refused["address"]), (&json!({"wrong": "password", "name": "first"}), &json!("127.0.0.1")));
    assert_eq!(refused["person_id"], Value::Null, "who it was is not known");
    assert_eq!(browser.signs_in("first@example.org", PASSWORD).await, 303);
    assert_eq!(browser.send("/sign-out", &[]).await.0, 303);
    let rows = about_accounts(&server, 3).await;
    let said: Vec<_> = rows.iter().map(|row| (row["action"].clone(), row["who"].clone(), row["address"].clone())).collect();
    let from = json!("127.0.0.1");
    let wanted = [("sign_out", "first"), ("sign_in", "first"), ("refuse_sign_in", "somebody")];
    assert_eq!(said, wanted.map(|(action, who)| (json!(action), json!(who), from.clone())));
    assert_eq!(rows[1]["new"], json!({"second_factor": null}));
    assert_eq!(holding(&server, &[WRONG, "nobody@"]).await, Vec::<String>::new(), "what was typed is kept nowhere");
    assert_eq!(server.other_workshop().count("/audit?subject_kind=account").await, 0);
    // Signing out again, without a session, is nothing.
    assert_eq!(browser.send("/sign-out", &[]).await.0, 303);
    assert_eq!(server.count("/audit?subject_kind=account").await, 3);
});

/// Who came in as somebody, by the audit trail.
async fn account_of(server: &Server, path: &str) -> Id<Person> {
    let id = path.rsplit('/').next().unwrap();
    let audit = server.all("/audit").await;
    let joined = audit.iter().find(|entry| entry["action"] == "join" && entry["subject"]["id"] == id).expect("they joined");
    joined["person_id"].as_str().unwrap().parse().unwrap()
}

on_both_engines!(the_search_forgets_who_stood_in_the_words_of_another_row, async |server| {
    let (person, _) = comes_in(&server, "Ada Birch", "ada@example.org", json!(["mechanic"]), None).await;
    let bike = server.motorcycle(json!({})).await;
    let event = json!({"on": "2026-05-01", "summary": "Pads",
        "fitted": [{"component": "brake_pads", "position": "rear", "description": "Kit that Ada Birch keeps"}]});
    server.post(&format!("{bike}/service-events"), &event).await.created();
    assert!(server.count("/search?q=birch").await > 1, "the part, and the event that fitted it");
    server.remove(&format!("{person}?erase=true")).await.with(204);
    assert_eq!(server.count("/search?q=birch").await, 0);
    assert!(server.count("/search?q=erased%20person%201").await > 1);
});

on_both_engines!(whoever_changed_their_address_is_still_known, async |server| {
    let (person, _) = comes_in(&server, "Ada Birch", "ada@example.org", json!(["mechanic"]), None).await;
    let account = account_of(&server, &person).await;
    let mut tx = server.app.store.write().await.unwrap();
    store::account::set_email(&mut tx, account, "ada.elm@example.org").await.unwrap();
    let pending = EmailChange {
        person_id: account,
        email: "ada.next@example.org".into(),
        old_hash: vec![1],
        new_hash: vec![2],
        old_confirmed_at: None,
        new_confirmed_at: None,
    };
    store::account_link::begin_email_change(&mut tx, &pending, now() + time::Duration::DAY).await.unwrap();
    tx.commit().await.unwrap();
    server.motorcycle(json!({"notes": "Ask ada.next@example.org or ada.elm@example.org"})).await;
    server.remove(&person).await.with(204);
    server.delete(&format!("{person}?erase=true"), "*").await.with(204);
    assert_eq!(holding(&server, &["ada birch", "ada@", "ada.elm@", "ada.next@"]).await, Vec::<String>::new());
    assert_eq!(Browser::new(&server).signs_in("ada.elm@example.org", ADAS).await, 401);
});

on_both_engines!(a_name_that_the_engines_cannot_lower_is_found, async |server| {
    let (person, _) = comes_in(&server, "KARİM ŞAHİN", "ÖZGÜR@example.org", json!(["mechanic"]), None).await;
    server.motorcycle(json!({"notes": "KARİM ŞAHİN wrote from ÖZGÜR@example.org"})).await;
    server.post("/owners", &json!({"name": "Bo Reed", "notes": "brought by KARİM ŞAHİN"})).await.created();
    server.remove(&format!("{person}?erase=true")).await.with(204);
    let traces = ["KARİM".to_lowercase(), "ÖZGÜR@".to_lowercase()];
    assert_eq!(holding(&server, &traces.each_ref().map(String::as_str)).await, Vec::<String>::new());
});
