//! Letters about accounts: invitations, new passwords, changes of address. Their links are taken from the outbox, as the person would from the mail.
use std::time::Duration as Pause;

use serde_json::json;
use time::Duration;
use witnessmark::{
    domain::letter::Letter,
    store::{Stretch, letter, workshop},
};

use crate::{
    harness::{Server, database::PASSWORD, on_both_engines, server::now},
    reader::Reader,
};

const SITE: &str = "http://bikes.example.org";
const EMAIL: &str = "first@example.org";
const FRESH: &str = "quiet harbor morning";

/// The letters to an address, the first one first.
async fn letters_to(server: &Server, address: &str) -> Vec<Letter> {
    let mut tx = server.app.store.read().await.unwrap();
    let mut found = Vec::new();
    for workshop in workshop::all(&mut tx).await.unwrap() {
        found.extend(letter::list(&mut tx, workshop.id, Stretch::ALL).await.unwrap());
    }
    found.retain(|letter| letter.to.address == address);
    found.sort_by_key(|letter| letter.id.uuid());
    found
}
/// The same once there are so many: a link to a new password is made aside.
async fn some_letters_to(server: &Server, address: &str, count: usize) -> Vec<Letter> {
    for _ in 0..200 {
        let found = letters_to(server, address).await;
        if found.len() >= count {
            return found;
        }
        tokio::time::sleep(Pause::from_millis(50)).await;
    }
    panic!("{address} has not got {count} letters");
}
/// The path of the link in a letter, which is on the public address and nowhere else.
fn link(letter: &Letter) -> String {
    let line = letter.text.lines().find(|line| line.starts_with("http")).unwrap_or_else(|| panic!("no link in {}", letter.text));
    line.strip_prefix(SITE).unwrap_or_else(|| panic!("{line} leads elsewhere")).to_owned()
}
async fn forget(server: &Server, email: &str) -> String {
    let page = Reader::new(server).send_from("x-forwarded-host", "evil.example", "/forgot", &[("email", email)]).await;
    assert_eq!(page.status, 200);
    page.text.replace(email, "EMAIL")
}

on_both_engines!(an_invitation_goes_by_mail, async |server| {
    let server = server.mailing_at(SITE, now()).await;
    let body = json!({"email": "ada@example.org", "name": "Ada Birch", "roles": ["mechanic"]});
    let request = server.request(reqwest::Method::POST, "/people").header("host", "evil.example");
    let shown = server.send(request.json(&body)).await.created()["link"].as_str().unwrap().to_owned();
    let letters = letters_to(&server, "ada@example.org").await;
    assert_eq!(letters.len(), 1);
    assert_eq!(format!("{SITE}{}", link(&letters[0])), shown);
    assert!(letters[0].subject.contains("Quayside Works") && letters[0].text.contains("Hello Ada Birch,"), "{letters:?}");
    let page = Reader::new(&server).send(&link(&letters[0]), &[("name", "Ada Birch"), ("password", FRESH)]).await;
    assert_eq!(page.status, 303, "{}", page.text);
    // The manager's list of letters does not hold the secret.
    let reader = Reader::signed_in(&server).await;
    reader.get("/letters").await.says("ada@example.org").hides(link(&letters[0]).trim_start_matches("/welcome/"));
});

on_both_engines!(a_forgotten_password_is_set_anew_by_mail_and_nobody_learns_who_has_an_account, async |server| {
    let server = server.mailing_at(SITE, now()).await;
    let reader = Reader::signed_in(&server).await;
    let (unknown, known) = (forget(&server, "nobody@example.org").await, forget(&server, EMAIL).await);
    assert_eq!(known, unknown);
    assert!(known.contains("If this address has an account here"));
    let letters = some_letters_to(&server, EMAIL, 1).await;
    assert!(letters_to(&server, "nobody@example.org").await.is_empty());
    let path = link(&letters[0]);
    // Asking changes nothing yet, and neither does looking.
    assert_eq!(Reader::new(&server).get(&path).await.status, 200);
    assert_eq!(reader.get("/motorcycles").await.status, 200);
    let weak = Reader::new(&server).send(&path, &[("password", "password1234")]).await;
    assert_eq!(weak.status, 422);
    let fresh = Reader::new(&server);
    assert_eq!(fresh.send(&path, &[("password", FRESH)]).await.location(), "/");
    assert_eq!((fresh.get("/motorcycles").await.status, reader.get("/motorcycles").await.status), (200, 303));
    let again = Reader::new(&server).send(&path, &[("password", "another good lantern")]).await;
    assert_eq!(again.status, 404);
    again.says("This link does not work");
    Reader::signed_in_as(&server, EMAIL, FRESH).await;
    let old = Reader::new(&server).send("/sign-in", &[("email", EMAIL), ("password", PASSWORD)]).await;
    assert_eq!(old.status, 401);
});

on_both_engines!(a_link_to_a_new_password_lasts_an_hour_and_a_changed_password_ends_it, async |server| {
    let server = server.mailing_at(SITE, now()).await;
    forget(&server, EMAIL).await;
    let first = link(&some_letters_to(&server, EMAIL, 1).await[0]);
    let later = server.mailing_at(SITE, now() + Duration::hours(1)).await;
    assert_eq!(Reader::new(&later).send(&first, &[("password", FRESH)]).await.status, 404);
    let reader = Reader::signed_in(&server).await;
    let page = reader.send("/account/password", &[("current", PASSWORD), ("new", "another good lantern")]).await;
    assert_eq!(page.location(), "/account");
    assert_eq!(Reader::new(&server).send(&first, &[("password", FRESH)]).await.status, 404);
});

on_both_engines!(nobody_floods_a_mailbox, async |server| {
    let server = server.mailing_at(SITE, now()).await;
    for _ in 0..8 {
        forget(&server, EMAIL).await;
    }
    some_letters_to(&server, EMAIL, 3).await;
    tokio::time::sleep(Pause::from_millis(500)).await;
    assert_eq!(letters_to(&server, EMAIL).await.len(), 3);
    let wrong = Reader::new(&server).send("/forgot", &[("email", "a@example.org\r\nBcc: b@example.org")]).await;
    assert_eq!(wrong.status, 422);
});

on_both_engines!(an_address_changes_once_both_sides_have_said_so, async |server| {
    let server = server.mailing_at(SITE, now()).await;
    let reader = Reader::signed_in(&server).await;
    let change = async |email: &str, password: &str| reader.send("/account/email", &[("email", email), ("password", password)]).await;
    assert_eq!(change("ada@example.org", "not the right one").await.status, 422);
    assert_eq!(change("ada@example.org\r\nBcc: b@example.org", PASSWORD).await.status, 422);
    assert_eq!(change("Ada@example.org", PASSWORD).await.location(), "/account");
    let (old, new) = (letters_to(&server, EMAIL).await, letters_to(&server, "ada@example.org").await);
    assert_eq!((old.len(), new.len()), (1, 1));
    let (old, new) = (link(&old[0]), link(&new[0]));
    assert_ne!(old, new);
    Reader::new(&server).get(&new).await.says("ada@example.org").says("Confirm");
    Reader::new(&server).send(&new, &[]).await.says("once the other address has confirmed it too");
    // One side, however often, is not both.
    Reader::new(&server).send(&new, &[]).await.says("once the other address has confirmed it too");
    Reader::signed_in(&server).await;
    reader.get("/account").await.says("A change to <bdi>ada@example.org</bdi> waits");
    Reader::new(&server).send(&old, &[]).await.says("from now on");
    Reader::signed_in_as(&server, "ada@example.org", PASSWORD).await;
    let gone = Reader::new(&server).send("/sign-in", &[("email", EMAIL), ("password", PASSWORD)]).await;
    assert_eq!(gone.status, 401);
    for path in [old, new] {
        let page = Reader::new(&server).send(&path, &[]).await;
        assert_eq!(page.status, 404);
        page.says("This link does not work");
    }
});

on_both_engines!(an_address_that_is_taken_is_told_so_in_its_own_mail_alone, async |server| {
    let server = server.mailing_at(SITE, now()).await;
    let reader = Reader::signed_in(&server).await;
    let said = async |email: &str| {
        let page = reader.send("/account/email", &[("email", email), ("password", PASSWORD)]).await;
        (page.status, page.location().to_owned(), reader.get("/account").await.text.replace(email, "EMAIL"))
    };
    let (taken, free) = (said("second@example.org").await, said("nobody@example.org").await);
    // What stood there of the change before is replaced by the later one.
    assert_eq!((taken.0, taken.1), (free.0, free.1));
    assert_eq!(taken.2, free.2);
    let letter = &letters_to(&server, "second@example.org").await[0];
    assert!(letter.text.contains("has an account of its own already") && !letter.text.contains("http"), "{}", letter.text);
    // The side that can confirm does, and nothing changes.
    let old = letters_to(&server, EMAIL).await;
    assert_eq!(Reader::new(&server).get(&link(&old[0])).await.status, 404, "a later change ends the one before");
    let over = server.mailing_at(SITE, now() + Duration::hours(24)).await;
    assert_eq!(Reader::new(&over).send(&link(&old[1]), &[]).await.status, 404, "a day later it is over");
    Reader::signed_in(&server).await;
});
