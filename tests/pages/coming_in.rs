//! Invitations, passwords and links to new ones: how people come in, and what keeps others out.
use serde_json::json;
use time::Duration;

use crate::{
    harness::{Server, database::PASSWORD, on_both_engines, server::now},
    reader::{Page, Reader},
};

const ADAS: &str = "kettle moss crane";

/// Invites somebody by the manager's page; gives the path of the link.
async fn invited(server: &Server, email: &str, roles: &str) -> String {
    let manager = Reader::signed_in(server).await;
    let page = manager.fill("/people", &[("email", email), ("name", "Ada Birch"), ("roles", roles)]).await;
    assert_eq!(
        (page.status, page.header("cache-control"), page.header("referrer-policy")),
        (200, "no-store", "no-referrer"),
        "{}",
        page.text
    );
    page.says("shown this once").inside("secret")
}
async fn accept(server: &Server, link: &str, password: &str) -> (Reader, Page) {
    let reader = Reader::new(server);
    let page = reader.send(link, &[("name", "Ada Birch"), ("password", password)]).await;
    (reader, page)
}
/// Ada, a mechanic of the first workshop, signed in; and the path of her page among the people.
async fn ada(server: &Server) -> (Reader, String) {
    let link = invited(server, "ada@example.org", "mechanic").await;
    let (reader, page) = accept(server, &link, ADAS).await;
    assert_eq!((page.status, page.location()), (303, "/"), "{}", page.text);
    let people = server.get("/people").await.items();
    let ada = people.iter().find(|person| person["email"] == "ada@example.org").expect("Ada");
    (reader, format!("/people/{}", ada["id"].as_str().unwrap()))
}

on_both_engines!(an_invitation_lets_in_once, async |server| {
    let link = invited(&server, "ada@example.org", "mechanic").await;
    let shown = Reader::new(&server).get(&link).await;
    shown.says("Welcome to <bdi>Quayside Works</bdi>").says("as mechanic").says("ada@example.org").says("value=\"Ada Birch\"");
    assert_eq!((shown.header("cache-control"), shown.header("referrer-policy")), ("no-store", "no-referrer"));
    for (password, why) in
        [("short", "at least 12"), ("passwordpassword", "repeats"), ("Ada Birch 2026", "tried first"), ("quaysideworks1", "tried first")]
    {
        let (reader, page) = accept(&server, &link, password).await;
        assert_eq!(page.status, 422, "{password}");
        page.says(why).hides(&format!("\"{password}\""));
        assert_eq!(reader.get("/").await.status, 303, "{password} lets nobody in");
    }
    let (reader, page) = accept(&server, &link, ADAS).await;
    assert_eq!((page.status, page.location()), (303, "/"));
    assert_eq!(reader.get("/motorcycles").await.status, 200);
    assert_eq!(reader.get("/people").await.status, 403);
    let (again, page) = accept(&server, &link, "another good lantern").await;
    assert_eq!(page.status, 404);
    page.says("This invitation does not work").says("used already").says("ask the workshop for a new one");
    assert_eq!(again.get("/").await.status, 303);
    Reader::new(&server).get("/welcome/nothing-of-the-kind").await.says("This invitation does not work");
    Reader::signed_in(&server).await.get("/people").await.says("15 Jun 2026</td>");
    Reader::signed_in_as(&server, "ADA@example.org ", ADAS).await;
});

on_both_engines!(of_two_who_open_an_invitation_at_once_one_comes_in, async |server| {
    let link = invited(&server, "ada@example.org", "mechanic").await;
    let (left, right) = tokio::join!(accept(&server, &link, ADAS), accept(&server, &link, ADAS));
    let mut came = [left.1.status, right.1.status];
    came.sort_unstable();
    // The second finds the link used, or the account begun a moment before by the first.
    assert!(came[0] == 303 && [404, 422].contains(&came[1]), "{came:?}");
    assert_eq!(server.count("/people").await, 2);
});

on_both_engines!(a_new_link_ends_the_one_before_and_so_does_taking_it_back, async |server| {
    let first = invited(&server, "ada@example.org", "mechanic").await;
    let people = server.get("/people").await.items();
    let id = people.iter().find(|person| person["joined_at"].is_null()).expect("an invitation")["id"].as_str().unwrap().to_owned();
    let manager = Reader::signed_in(&server).await;
    let second = manager.send(&format!("/people/{id}/invitation"), &[]).await.inside("secret");
    assert_eq!((Reader::new(&server).get(&first).await.status, Reader::new(&server).get(&second).await.status), (404, 200));
    let removed = manager.send(&format!("/people/{id}/remove"), &[]).await;
    assert_eq!((removed.status, removed.location()), (303, "/people"));
    assert_eq!(accept(&server, &second, ADAS).await.1.status, 404);
    assert_eq!(server.count("/people").await, 1);
});

on_both_engines!(somebody_known_from_another_workshop_joins_with_the_password_that_they_have, async |server| {
    let known = invited(&server, "second@example.org", "mechanic").await;
    let unknown = invited(&server, "nobody@example.org", "mechanic").await;
    // The page does not say which of them has an account.
    let text = async |link: &str, email: &str| Reader::new(&server).get(link).await.text.replace(link, "LINK").replace(email, "EMAIL");
    assert_eq!(text(&known, "second@example.org").await, text(&unknown, "nobody@example.org").await);
    let (_, page) = accept(&server, &known, ADAS).await;
    assert_eq!(page.status, 422);
    page.says("this is not its password");
    let (reader, page) = accept(&server, &known, PASSWORD).await;
    assert_eq!((page.status, page.location()), (303, "/"), "{}", page.text);
    reader.get("/motorcycles").await.says("Quayside Works");
    reader.get("/account").await.says("Hill Street Garage").says("Quayside Works").says("open now");
    // As a mechanic here he may not do what he may do there.
    assert_eq!(reader.get("/tokens").await.status, 403);
    let page = reader.get("/account").await;
    let garage = page.text.split("name=\"workshop\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    assert_eq!(reader.send("/account/workshop", &[("workshop", &garage)]).await.location(), "/");
    reader.get("/tokens").await.says("Hill Street Garage");
    // The old password still signs in; nothing of the account was changed.
    Reader::signed_in_as(&server, "second@example.org", PASSWORD).await;
});

on_both_engines!(whoever_is_signed_in_joins_with_one_press, async |server| {
    let link = invited(&server, "second@example.org", "mechanic").await;
    let reader = Reader::signed_in_as(&server, "second@example.org", PASSWORD).await;
    reader.get(&link).await.says("You are signed in under this address").says("name=\"join\"");
    // Somebody else with the same link is told whose it is.
    let other = Reader::signed_in(&server).await;
    other.get(&link).await.says("another address").hides("name=\"join\"");
    assert_eq!(other.send(&link, &[("join", "yes")]).await.status, 409);
    let joined = reader.send(&link, &[("join", "yes")]).await;
    assert_eq!((joined.status, joined.location()), (303, "/"));
    reader.get("/").await.says("You belong to Quayside Works now.");
    assert_eq!(reader.send(&link, &[("join", "yes")]).await.status, 404);
});

on_both_engines!(nobody_opens_a_workshop_that_they_do_not_belong_to, async |server| {
    let other = server.other_workshop().get("/workshop").await.ok()["id"].as_str().unwrap().to_owned();
    let reader = Reader::signed_in(&server).await;
    for id in [other.as_str(), "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77", "x"] {
        let page = reader.send("/account/workshop", &[("workshop", id)]).await;
        assert_eq!(page.status, 404, "{id}");
        page.hides("Hill Street");
    }
    reader.get("/motorcycles").await.says("Quayside Works");
});

on_both_engines!(a_removed_persons_session_ends, async |server| {
    let (reader, path) = ada(&server).await;
    assert_eq!(reader.get("/motorcycles").await.status, 200);
    assert_eq!(server.remove(&path).await.status, 204);
    let page = reader.get("/motorcycles").await;
    assert_eq!((page.status, page.location()), (303, "/sign-in?next=%2Fmotorcycles"));
    let refused = reader.send("/sign-in", &[("email", "ada@example.org"), ("password", ADAS)]).await;
    assert_eq!(refused.status, 401);
    refused.says("do not belong together");
    // Invited again, she begins anew: an account that opens nothing keeps nobody out.
    let link = invited(&server, "ada@example.org", "mechanic").await;
    let (reader, page) = accept(&server, &link, "quiet harbor morning").await;
    assert_eq!(page.status, 303, "{}", page.text);
    assert_eq!(reader.get("/motorcycles").await.status, 200);
});

on_both_engines!(a_changed_role_counts_at_once, async |server| {
    let (reader, path) = ada(&server).await;
    assert_eq!(reader.get("/tokens").await.status, 403);
    server.change(&path, &json!({"roles": ["manager"]})).await.ok();
    assert_eq!(reader.get("/tokens").await.status, 200);
    // Now there are two managers, and the first may go.
    let people = server.get("/people").await.items();
    let first = people.iter().find(|person| person["email"] == "first@example.org").expect("the first")["id"].as_str().unwrap().to_owned();
    let page = reader.send(&format!("/people/{first}/remove"), &[]).await;
    assert_eq!(page.location(), "/people", "{}", page.text);
    let page = reader.send(&format!("{path}/remove"), &[]).await;
    assert_eq!(page.status, 409);
    page.says("the only manager of this workshop");
});

on_both_engines!(a_manager_makes_a_link_to_a_new_password_for_his_own_people_alone, async |server| {
    let (reader, path) = ada(&server).await;
    let manager = Reader::signed_in(&server).await;
    let link = manager.send(&format!("{path}/reset-link"), &[]).await.inside("secret");
    assert!(link.starts_with("/reset/"), "{link}");
    let page = Reader::new(&server).send(&link, &[("password", "ada@example")]).await;
    assert_eq!(page.status, 422);
    let fresh = Reader::new(&server);
    let page = fresh.send(&link, &[("password", "quiet harbor morning")]).await;
    assert_eq!((page.status, page.location()), (303, "/"), "{}", page.text);
    assert_eq!(fresh.get("/motorcycles").await.status, 200);
    assert_eq!(reader.get("/motorcycles").await.status, 303, "the session from before is over");
    for page in [Reader::new(&server).get(&link).await, Reader::new(&server).send(&link, &[("password", "another good lantern")]).await] {
        assert_eq!(page.status, 404);
        page.says("This link does not work").says("ask a manager");
    }
    Reader::signed_in_as(&server, "ada@example.org", "quiet harbor morning").await;
    let over = server.at(now() + Duration::hours(24)).await;
    let link = manager.send(&format!("{path}/reset-link"), &[]).await.inside("secret");
    assert_eq!(Reader::new(&over).get(&link).await.status, 404);
});

on_both_engines!(no_manager_takes_over_what_somebody_may_do_elsewhere, async |server| {
    let (_, path) = ada(&server).await;
    let manager = Reader::signed_in(&server).await;
    let before = manager.send(&format!("{path}/reset-link"), &[]).await.inside("secret");
    // She joins the other workshop.
    let body = json!({"email": "ada@example.org", "name": "Ada Birch", "roles": ["manager"]});
    let link = server.other_workshop().post("/people", &body).await.created()["link"].as_str().unwrap().to_owned();
    assert_eq!(accept(&server, &link, ADAS).await.1.status, 303);
    // The link from before is dead, and no other is made.
    assert_eq!(Reader::new(&server).send(&before, &[("password", "quiet harbor morning")]).await.status, 404);
    let refused = manager.send(&format!("{path}/reset-link"), &[]).await;
    assert_eq!(refused.status, 409);
    refused.says("by mail").hides("Hill Street");
    // What this workshop calls her is not what the other one does.
    server.change(&path, &json!({"name": "Somebody"})).await.ok();
    let there = server.other_workshop().get("/people").await.items();
    assert!(there.iter().any(|person| person["name"] == "Ada Birch"), "{there:?}");
});

on_both_engines!(forgetting_a_password_says_nothing_about_accounts, async |server| {
    let ask = async |email: &str| {
        let page = Reader::new(&server).send("/forgot", &[("email", email)]).await;
        (page.status, page.text.replace(email, "EMAIL"))
    };
    assert_eq!(ask("first@example.org").await, ask("nobody@example.org").await);
    let wrong = Reader::new(&server).send("/forgot", &[("email", "a@example.org\r\nBcc: b@example.org")]).await;
    assert_eq!(wrong.status, 422);
});

on_both_engines!(a_path_in_a_name_or_a_link_leads_nowhere_else, async |server| {
    let (reader, path) = ada(&server).await;
    // A name cannot end a header, nor a page.
    let manager = Reader::signed_in(&server).await;
    let key = manager.get(&format!("{path}/edit")).await;
    let fields = [
        ("once", key.key()),
        ("seen", key.value("seen")),
        ("name", "A\r\nset-cookie: session=stolen".to_owned()),
        ("roles", "mechanic".to_owned()),
    ];
    let fields: Vec<_> = fields.iter().map(|(name, value)| (*name, value.as_str())).collect();
    let page = manager.send(&format!("{path}/edit"), &fields).await;
    assert_eq!((page.status, page.cookie("session").as_str()), (422, ""));
    for next in ["/\r\nset-cookie: session=stolen", "//evil.example", "https://evil.example"] {
        let page = Reader::new(&server).send("/sign-in", &[("email", "ada@example.org"), ("password", ADAS), ("next", next)]).await;
        assert_eq!(page.location(), "/", "{next:?}");
        assert_ne!(page.cookie("session"), "stolen");
    }
    for path in ["/welcome/..%2f..%2fetc", "/reset/%00", "/confirm-email/%0d%0ax", "/welcome/%ff"] {
        let status = reader.get(path).await.status;
        assert!([400, 404].contains(&status), "{path}: {status}");
    }
});
