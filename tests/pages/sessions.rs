//! Sessions, and guesses at passwords.
use std::sync::atomic::{AtomicU32, Ordering};

use time::{Duration, OffsetDateTime};
use witnessmark::{access::whence::Whence, actions::sign_in, error::Error};

use crate::{
    harness::{Server, database::PASSWORD, on_both_engines, server::now},
    reader::{Page, Reader},
};

const EMAIL: &str = "first@example.org";

async fn sign_in_at(server: &Server, email: &str, password: &str) -> Page {
    Reader::new(server).send("/sign-in", &[("email", email), ("password", password)]).await
}

on_both_engines!(behind_https_every_cookie_is_bound_to_the_host, async |server| {
    let secure = server.like(|app| app.at(Some("https://bikes.example.org".into()))).await;
    let reader = Reader::new(&secure);
    let signed_in = reader.send("/sign-in", &[("email", "first@example.org"), ("password", PASSWORD)]).await;
    let of = |page: &crate::reader::Page| -> Vec<String> {
        page.headers.get_all("set-cookie").iter().map(|cookie| cookie.to_str().unwrap().to_owned()).collect()
    };
    let session = of(&signed_in).into_iter().find(|cookie| cookie.starts_with("__Host-session=")).expect("a session");
    // The tests speak plain http, over which a browser does not send a secure cookie: it is given by hand.
    let pair = session.split(';').next().unwrap();
    let client = reqwest::Client::builder().redirect(reqwest::redirect::Policy::none()).build().unwrap();
    let post = client.post(format!("{}/owners/new", secure.address)).header("cookie", pair).form(&[("name", "Ada Birch"), ("once", "one")]);
    let done = post.send().await.unwrap();
    let said: Vec<_> = done.headers().get_all("set-cookie").iter().map(|cookie| cookie.to_str().unwrap()).collect();
    assert!(said.iter().any(|cookie| cookie.starts_with("__Host-said=") && cookie.ends_with("; Secure")), "{} {said:?}", done.status());
    let out = client.post(format!("{}/sign-out", secure.address)).header("cookie", pair).send().await.unwrap();
    assert_eq!(out.headers()["clear-site-data"], "\"cache\", \"storage\"");
    for cookie in of(&signed_in).iter().map(String::as_str).chain(said) {
        assert!(cookie.starts_with("__Host-") && cookie.contains("; Secure") && cookie.contains("; Path=/;"), "{cookie}");
        assert!(cookie.contains("; HttpOnly") && !cookie.contains("Domain"), "{cookie}");
    }
});

on_both_engines!(a_session_that_was_planted_is_good_for_nothing, async |server| {
    let planted = "c2hlIG5ldmVyIHNhdyB0aGlzIGNvbWluZyBhdCBhbGwh";
    let client = reqwest::Client::builder().redirect(reqwest::redirect::Policy::none()).build().unwrap();
    let with = async |cookie: &str, path: &str| {
        let request = client.get(format!("{}{path}", server.address)).header("cookie", format!("session={cookie}"));
        request.send().await.unwrap().status().as_u16()
    };
    let request = client.post(format!("{}/sign-in", server.address)).header("cookie", format!("session={planted}"));
    let answer = request.form(&[("email", EMAIL), ("password", PASSWORD)]).send().await.unwrap();
    let cookie = answer.headers()["set-cookie"].to_str().unwrap().split(';').next().unwrap().split_once('=').unwrap().1.to_owned();
    assert_ne!(cookie, planted);
    assert_eq!((with(planted, "/motorcycles").await, with(&cookie, "/motorcycles").await), (303, 200));
    // Signing in again in the same browser ends the session from before.
    let request = client.post(format!("{}/sign-in", server.address)).header("cookie", format!("session={cookie}"));
    let answer = request.form(&[("email", EMAIL), ("password", PASSWORD)]).send().await.unwrap();
    let next = answer.headers()["set-cookie"].to_str().unwrap().split(';').next().unwrap().split_once('=').unwrap().1.to_owned();
    assert_ne!(next, cookie);
    assert_eq!((with(&cookie, "/motorcycles").await, with(&next, "/motorcycles").await), (303, 200));
});

on_both_engines!(a_session_ends_when_it_is_not_used_and_when_it_is_too_old, async |server| {
    let at = async |days: i64| server.at(now() + Duration::days(days)).await;
    let reader = Reader::signed_in(&server).await;
    let idle = Reader::signed_in(&server).await;
    for days in [13, 26] {
        assert_eq!(reader.at(&at(days).await).get("/motorcycles").await.status, 200, "day {days}");
    }
    assert_eq!(idle.at(&at(14).await).get("/motorcycles").await.status, 303, "not used for 14 days");
    assert_eq!(reader.at(&at(30).await).get("/motorcycles").await.status, 303, "30 days old");
});

on_both_engines!(sessions_are_listed_and_ended_one_by_one_and_all_at_once, async |server| {
    let reader = Reader::signed_in(&server).await;
    let phone = Reader::new(&server);
    let page = phone.send_from(
        "user-agent",
        "Mozilla/5.0 (X11; Linux x86_64; rv:128.0) Gecko/20100101 Firefox/128.0",
        "/sign-in",
        &[("email", EMAIL), ("password", PASSWORD)],
    );
    assert_eq!(page.await.status, 303);
    let page = reader.get("/account").await;
    page.says("Firefox on Linux").says("this one").says("15 Jun 2026, 13:00").says("127.0.0.1");
    let end = page.text.split("action=\"/account/sessions/").skip(1).find(|part| part.contains("Firefox")).unwrap();
    let end = format!("/account/sessions/{}", end.split('"').next().unwrap());
    // Nobody ends another person's session.
    let stranger = Reader::signed_in_as(&server, "second@example.org", PASSWORD).await;
    assert_eq!(stranger.send(&end, &[]).await.status, 404);
    assert_eq!(phone.get("/motorcycles").await.status, 200);
    assert_eq!(reader.send(&end, &[]).await.location(), "/account");
    assert_eq!((phone.get("/motorcycles").await.status, reader.get("/motorcycles").await.status), (303, 200));
    let other = Reader::signed_in(&server).await;
    assert_eq!(reader.send("/account/sessions/end", &[]).await.location(), "/sign-in");
    for over in [&reader, &other] {
        assert_eq!(over.get("/motorcycles").await.status, 303);
    }
    assert_eq!(stranger.get("/motorcycles").await.status, 200);
});

on_both_engines!(a_changed_password_ends_every_other_session, async |server| {
    let (reader, other) = (Reader::signed_in(&server).await, Reader::signed_in(&server).await);
    let change = async |current: &str, new: &str| reader.send("/account/password", &[("current", current), ("new", new)]).await;
    let wrong = change("not my password", "quiet harbor morning").await;
    assert_eq!(wrong.status, 422);
    wrong.says("This is not your password").hides("quiet harbor morning");
    change(PASSWORD, "first-example-1").await.says("tried first");
    change(PASSWORD, "too short").await.says("at least 12");
    assert_eq!(other.get("/motorcycles").await.status, 200);
    assert_eq!(change(PASSWORD, "quiet harbor morning").await.location(), "/account");
    assert_eq!((other.get("/motorcycles").await.status, reader.get("/motorcycles").await.status), (303, 200));
    assert_eq!(sign_in_at(&server, EMAIL, PASSWORD).await.status, 401);
    assert_eq!(sign_in_at(&server, EMAIL, "quiet harbor morning").await.status, 303);
});

on_both_engines!(a_name_is_ones_own, async |server| {
    let reader = Reader::signed_in(&server).await;
    assert_eq!(reader.send("/account/name", &[("name", " ")]).await.status, 422);
    assert_eq!(reader.send("/account/name", &[("name", "Ada <b>Birch</b>")]).await.location(), "/account");
    reader.get("/account").await.says("Ada &#60;b&#62;Birch").hides("<b>Birch");
});

/// A password at an instant from an address of its own; the seconds that the try has to wait, 0 where it was judged.
async fn guess(server: &Server, at: OffsetDateTime, email: &str, password: &str) -> u64 {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    let address = format!("192.0.2.{}", COUNT.fetch_add(1, Ordering::Relaxed));
    let whence = Whence { address, ..Whence::default() };
    match sign_in::sign_in(&server.at(at).await.app, &whence, email, password.into()).await {
        Ok(_) | Err(Error::Unauthenticated(_)) => 0,
        Err(Error::TooOften(seconds)) => seconds,
        Err(other) => panic!("{other}"),
    }
}

on_both_engines!(guesses_slow_down_alike_with_an_account_and_without, async |server| {
    const WRONG: &str = "not the right one";
    const NOBODY: &str = "nobody@example.org";
    let reader = Reader::signed_in(&server).await;
    let (mut waits, mut clock) = (Vec::new(), now());
    for _ in 0..2 {
        assert_eq!((guess(&server, clock, EMAIL, WRONG).await, guess(&server, clock, NOBODY, WRONG).await), (0, 0));
    }
    for _ in 0..12 {
        // One is judged, the next one has to wait.
        assert_eq!((guess(&server, clock, EMAIL, WRONG).await, guess(&server, clock, NOBODY, WRONG).await), (0, 0));
        let (known, unknown) = (guess(&server, clock, EMAIL, WRONG).await, guess(&server, clock, NOBODY, WRONG).await);
        assert_eq!(known, unknown);
        waits.push(known);
        clock += Duration::seconds(i64::try_from(known).unwrap());
    }
    assert_eq!(waits, [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900]);
    // The right password has to wait as well, or it would be told apart. Whoever is signed in notices nothing.
    guess(&server, clock, EMAIL, WRONG).await;
    assert_eq!(guess(&server, clock, EMAIL, PASSWORD).await, 900);
    assert_eq!(reader.get("/motorcycles").await.status, 200);
    // Then it lets in, and all is forgotten.
    clock += Duration::minutes(15);
    assert_eq!(guess(&server, clock, EMAIL, PASSWORD).await, 0);
    for _ in 0..3 {
        assert_eq!(guess(&server, clock, EMAIL, WRONG).await, 0);
    }
    assert_eq!(guess(&server, clock, EMAIL, WRONG).await, 1);
});

on_both_engines!(the_page_says_how_long_to_wait_alike_for_everybody, async |server| {
    let mut said = Vec::new();
    for email in [EMAIL, "nobody@example.org"] {
        for _ in 0..3 {
            assert_eq!(sign_in_at(&server, email, "not the right one").await.status, 401);
        }
        let page = sign_in_at(&server, email, "not the right one").await;
        assert_eq!((page.status, page.header("retry-after")), (429, "1"));
        page.says("too many tries").says("Wait a second");
        said.push(page.text.replace(email, "EMAIL"));
    }
    assert_eq!(said[0], said[1]);
});

on_both_engines!(many_guesses_at_once_are_counted_one_by_one, async |server| {
    let tries = (0..12).map(|_| sign_in_at(&server, EMAIL, "not the right one"));
    let statuses: Vec<_> = futures_util::future::join_all(tries).await.iter().map(|page| page.status).collect();
    assert_eq!(statuses.iter().filter(|status| **status == 401).count(), 3, "{statuses:?}");
    assert_eq!(statuses.iter().filter(|status| **status == 429).count(), 9, "{statuses:?}");
});

on_both_engines!(an_address_that_guesses_at_many_accounts_slows_down_too, async |server| {
    for place in 0..21 {
        let page = sign_in_at(&server, &format!("nobody{place}@example.org"), "not the right one").await;
        assert_eq!(page.status, 401, "{place}");
    }
    assert_eq!(sign_in_at(&server, "nobody99@example.org", "not the right one").await.status, 429);
});

on_both_engines!(posts_from_other_sites_change_nothing_about_people_and_accounts, async |server| {
    let reader = Reader::signed_in(&server).await;
    let people = server.get("/people").await.items();
    let person = format!("/people/{}", people[0]["id"].as_str().unwrap());
    for (path, fields) in [
        ("/people".to_owned(), vec![("email", "evil@example.org"), ("name", "E"), ("roles", "manager")]),
        (format!("{person}/edit"), vec![("name", "E"), ("roles", "manager")]),
        (format!("{person}/remove"), vec![]),
        (format!("{person}/reset-link"), vec![]),
        ("/account/name".into(), vec![("name", "E")]),
        ("/account/password".into(), vec![("current", PASSWORD), ("new", "quiet harbor morning")]),
        ("/account/email".into(), vec![("email", "evil@example.org"), ("password", PASSWORD)]),
        ("/account/second-factor/off".into(), vec![("password", PASSWORD)]),
        ("/account/sessions/end".into(), vec![]),
        ("/account/workshop".into(), vec![]),
        ("/sign-in".into(), vec![("email", EMAIL), ("password", PASSWORD)]),
        ("/sign-in/code".into(), vec![("code", "123456")]),
        ("/welcome/x".into(), vec![("join", "yes")]),
        ("/reset/x".into(), vec![("password", "quiet harbor morning")]),
        ("/forgot".into(), vec![("email", EMAIL)]),
        ("/confirm-email/x".into(), vec![]),
    ] {
        for (header, value) in [("sec-fetch-site", "cross-site"), ("origin", "https://evil.example")] {
            let page = reader.send_from(header, value, &path, &fields).await;
            assert_eq!(page.status, 403, "{path} from {value}");
        }
    }
    assert_eq!(reader.get("/account").await.value("name"), "first");
    assert_eq!(server.count("/people").await, 1);
    assert_eq!(sign_in_at(&server, EMAIL, PASSWORD).await.status, 303);
});

on_both_engines!(a_cookie_of_any_size_or_kind_is_nobody, async |server| {
    let reader = Reader::new(&server);
    for cookie in
        ["session=".to_owned(), "session=é".to_owned(), format!("session={}", "x".repeat(60_000)), format!("half={}", "y".repeat(60_000))]
    {
        let page = reader.get_with("cookie", &cookie, "/motorcycles").await;
        assert!([303, 400, 431].contains(&page.status), "{}: {}", cookie.len(), page.status);
    }
    assert_eq!(sign_in_at(&server, EMAIL, PASSWORD).await.status, 303);
});

on_both_engines!(a_session_is_known_to_every_server_and_ends_at_all_of_them, async |server| {
    let other = server.at(now()).await;
    let (reader, same) = (Reader::signed_in(&server).await, Reader::signed_in(&server).await);
    assert_eq!(reader.at(&other).get("/motorcycles").await.status, 200);
    // Everything ends at one, and is over at the other at once, although that one has just seen it.
    assert_eq!(same.at(&other).get("/motorcycles").await.status, 200);
    assert_eq!(reader.send("/account/sessions/end", &[]).await.location(), "/sign-in");
    for gone in [&reader, &same] {
        assert!(gone.at(&other).get("/motorcycles").await.location().starts_with("/sign-in"));
    }
    other.app.store.close().await;
});
