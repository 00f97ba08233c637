//! Who gets in, and what is kept out.
use serde_json::json;

use crate::{
    harness::{database::PASSWORD, on_both_engines},
    reader::Reader,
};

on_both_engines!(nobody_sees_a_page_without_signing_in, async |server| {
    let reader = Reader::new(&server);
    let bike = server.motorcycle(json!({"name": "Ferry"})).await;
    for path in ["/", "/motorcycles", "/motorcycles/new", "/owners", "/tokens", "/workshop", &bike, &format!("{bike}/readings")] {
        let page = reader.get(path).await;
        assert_eq!(page.status, 303, "{path}");
        assert!(page.location().starts_with("/sign-in?next=%2F"), "{}", page.location());
        page.hides("Ferry");
    }
    let page = reader.send("/motorcycles/new", &[("name", "Tern"), ("final_drive", "belt"), ("odometer_unit", "km")]).await;
    assert_eq!(page.status, 303);
    assert_eq!(server.count("/motorcycles").await, 1, "only the one that was there");
});

on_both_engines!(signing_in_leads_back_but_never_to_another_site, async |server| {
    for (next, to) in
        [("/motorcycles?q=a%20b", "/motorcycles?q=a%20b"), ("//elsewhere.example/", "/"), ("https://elsewhere.example", "/"), ("", "/")]
    {
        let fields = [("email", "first@example.org"), ("password", PASSWORD), ("next", next)];
        let page = Reader::new(&server).send("/sign-in", &fields).await;
        assert_eq!((page.status, page.location()), (303, to));
        let cookie = page.header("set-cookie");
        assert!(cookie.contains("; HttpOnly") && cookie.contains("; SameSite=Lax"), "{cookie}");
    }
});

on_both_engines!(a_wrong_password_says_no_more_than_that, async |server| {
    let reader = Reader::new(&server);
    let wrong = reader.send("/sign-in", &[("email", "first@example.org"), ("password", "not the right one")]).await;
    let nobody = reader.send("/sign-in", &[("email", "nobody@example.org"), ("password", "not the right one")]).await;
    assert_eq!((wrong.status, nobody.status), (401, 401));
    wrong.says("do not belong together").hides("not the right one");
    assert_eq!(wrong.text.replace("first@", "nobody@"), nobody.text);
    assert_eq!(reader.get("/").await.status, 303);
});

on_both_engines!(signing_out_ends_the_session_on_the_server, async |server| {
    let reader = Reader::signed_in(&server).await;
    assert_eq!(reader.get("/").await.status, 200);
    let cookie = Reader::new(&server).send("/sign-in", &[("email", "first@example.org"), ("password", PASSWORD)]).await;
    let kept = cookie.header("set-cookie").split(';').next().unwrap_or_default().to_owned();
    let with_kept = async |path: &str| {
        let request = reqwest::Client::builder().redirect(reqwest::redirect::Policy::none()).build().unwrap();
        request.get(format!("{}{path}", server.address)).header("cookie", &kept).send().await.unwrap().status().as_u16()
    };
    assert_eq!(with_kept("/motorcycles").await, 200);
    let secret = kept.split_once('=').unwrap().1;
    witnessmark::actions::session::sign_out(&server.app, secret).await.unwrap();
    assert_eq!(with_kept("/motorcycles").await, 303);
    assert_eq!(reader.send("/sign-out", &[]).await.location(), "/sign-in");
    assert_eq!(reader.get("/").await.status, 303);
});

on_both_engines!(posts_from_other_sites_do_nothing, async |server| {
    let reader = Reader::signed_in(&server).await;
    let fields = [("name", "Tern"), ("final_drive", "belt"), ("odometer_unit", "km"), ("interval_factor", "1")];
    for (header, value) in
        [("sec-fetch-site", "cross-site"), ("sec-fetch-site", "same-site"), ("origin", "https://elsewhere.example"), ("origin", "null")]
    {
        let page = reader.send_from(header, value, "/motorcycles/new", &fields).await;
        assert_eq!(page.status, 403, "{header}: {value}");
        page.says("sent from another site").says("<html lang=\"en\">");
        assert_eq!(reader.send_from(header, value, "/sign-out", &[]).await.status, 403);
    }
    assert_eq!(server.count("/motorcycles").await, 0);
    assert_eq!(reader.send_from("origin", &server.address, "/motorcycles/new", &fields).await.status, 303);
    assert_eq!(server.count("/motorcycles").await, 1);
});

on_both_engines!(another_workshops_things_are_not_there, async |server| {
    let bike = server.other_workshop().motorcycle(json!({"name": "Not yours"})).await;
    let reader = Reader::signed_in(&server).await;
    for path in [bike.clone(), format!("{bike}/readings"), format!("{bike}/edit")] {
        let page = reader.get(&path).await;
        assert_eq!(page.status, 404);
        page.hides("Not yours");
    }
    reader.get("/motorcycles").await.hides("Not yours");
    assert_eq!(reader.send(&format!("{bike}/readings"), &[("on", "2026-06-01"), ("reading", "5")]).await.status, 404);
    assert_eq!(server.other_workshop().count(&format!("{bike}/odometer-readings")).await, 0);
});

on_both_engines!(markup_in_every_field_is_shown_as_text, async |server| {
    let reader = Reader::signed_in(&server).await;
    let nasty = "<b>\"'&</b> 🏍️ كتاب";
    let owner = server.post("/owners", &json!({"name": nasty, "email": "a@example.org", "phone": nasty, "notes": nasty})).await.id();
    let bike = server
        .motorcycle(json!({"name": nasty, "make": nasty, "model": nasty, "registration": nasty, "notes": nasty, "owner_id": owner}))
        .await;
    let reading = json!({"on": "2026-06-01", "reading": 100, "read_by": nasty});
    server.post(&format!("{bike}/odometer-readings"), &reading).await.created();
    assert_eq!(reader.fill("/tokens", &[("name", nasty), ("scopes", "read")]).await.status, 200);
    server.change("/workshop", &json!({"name": nasty})).await.ok();
    let rule = json!({"name": nasty, "component": "engine_oil", "operation": "replace", "every": {"months": 1}, "source": nasty});
    server.post("/interval-rules", &rule).await.created();
    for path in [
        "/",
        "/motorcycles",
        &bike,
        &format!("{bike}/edit"),
        &format!("{bike}/readings"),
        "/owners",
        &format!("/owners/{owner}/edit"),
        "/tokens",
        "/workshop",
    ] {
        let page = reader.get(path).await;
        assert_eq!(page.status, 200, "{path}");
        page.hides("<b>\"").says("&#60;b&#62;").says("🏍️ كتاب");
    }
    let wrong = reader.fill(&format!("{bike}/readings"), &[("on", nasty), ("reading", nasty), ("read_by", nasty)]).await;
    assert_eq!(wrong.status, 422);
    wrong.hides("<b>\"").says("&#60;b&#62;");
});

on_both_engines!(a_page_that_is_not_there_is_a_page_and_the_api_stays_json, async |server| {
    let reader = Reader::signed_in(&server).await;
    for path in ["/nowhere", "/motorcycles/nowhere", "/motorcycles/01933b6e-9a44-7cc0-8000-3f2a5c1d9e77", "/assets/record.css"] {
        let page = reader.get(path).await;
        assert_eq!((page.status, page.header("content-type")), (404, "text/html; charset=utf-8"), "{path}");
        page.says("<h1>There is nothing here</h1>");
    }
    let page = reader.send("/", &[]).await;
    assert_eq!((page.status, page.header("allow")), (405, "GET,HEAD"));
    assert_eq!(server.get("/nowhere").await.header("content-type"), "application/problem+json");
});

on_both_engines!(style_and_script_are_kept_for_good_and_the_policy_is_strict, async |server| {
    let reader = Reader::new(&server);
    let page = reader.get("/sign-in").await;
    assert!(page.header("content-security-policy").contains("style-src 'self'; script-src 'self'"));
    for start in ["href=\"/assets/record-", "src=\"/assets/bench-", "href=\"/assets/mark-"] {
        let path = page.text.split_once(start).unwrap().1.split('"').next().unwrap();
        let path = format!("{}{path}", start.split('"').nth(1).unwrap());
        let asset = reader.get(&path).await;
        assert_eq!((asset.status, asset.header("cache-control")), (200, "public, max-age=31536000, immutable"), "{path}");
    }
});
