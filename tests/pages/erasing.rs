//! The page on which a manager erases a person, and what the audit page says of signing in.
use serde_json::json;

use crate::{
    harness::{Server, on_both_engines},
    reader::{Page, Reader},
    roles::somebody,
    second_factor,
};

on_both_engines!(a_manager_erases_an_owner_after_a_confirmation, async |server| {
    let ada = server.post("/owners", &json!({"name": "Ada <b>Birch", "email": "ada@example.org"})).await.id();
    server.motorcycle(json!({"owner_id": ada, "notes": "From Ada <b>Birch"})).await;
    let (edit, erase) = (format!("/owners/{ada}/edit"), format!("/owners/{ada}/erase"));
    let mechanic = somebody(&server, "mechanic", None).await;
    mechanic.get(&edit).await.hides("Erase");
    assert_eq!((mechanic.get(&erase).await.status, mechanic.send(&erase, &[("sure", "yes")]).await.status), (403, 403));
    let manager = Reader::signed_in(&server).await;
    manager.get(&edit).await.says(&format!("href=\"{erase}\""));
    let page = manager.get(&erase).await;
    page.says("Erase <bdi>Ada &#60;b&#62;Birch</bdi>")
        .says("cannot be undone")
        .says("Their motorcycle stays, without an owner")
        .says("method=\"post\"");
    let asked = manager.send(&erase, &[]).await;
    assert_eq!(asked.status, 422);
    asked.says("Nothing was erased");
    manager.get("/owners").await.says("ada@example.org");
    let done = manager.send(&erase, &[("sure", "yes")]).await;
    assert_eq!((done.status, done.location()), (303, "/owners"), "{}", done.text);
    manager.get("/owners").await.says("Erased. The records say Erased person 1 from now on.").hides("Birch").hides("ada@example.org");
    manager.get("/motorcycles").await.says("Courier 3").hides("Birch");
    manager.get("/audit").await.says("erase owner: Erased person 1").hides("Birch");
    assert_eq!(manager.get(&erase).await.status, 404);
});

on_both_engines!(a_manager_erases_a_person_but_not_the_last_manager, async |server| {
    let manager = Reader::signed_in(&server).await;
    let mechanic = somebody(&server, "mechanic", None).await;
    assert_eq!(mechanic.get("/motorcycles").await.status, 200);
    let list = manager.get("/people").await;
    let path = |name: &str| {
        let row = list.text.split("href=\"/people/").skip(1).find(|row| row.contains(&format!(">{name}</a>"))).expect("a row");
        format!("/people/{}", row.split('/').next().unwrap())
    };
    let (mine, theirs) = (path("first"), path("mechanic"));
    manager.get(&format!("{theirs}/edit")).await.says(&format!("href=\"{theirs}/erase\""));
    manager.get(&format!("{theirs}/erase")).await.says("The account is deleted, unless");
    let refused = manager.send(&format!("{mine}/erase"), &[("sure", "yes")]).await;
    assert_eq!(refused.status, 409);
    refused.says("only manager of this workshop");
    assert_eq!(manager.send(&format!("{theirs}/erase"), &[("sure", "yes")]).await.location(), "/people");
    manager.get("/people").await.hides("mechanic@example.org");
    assert_eq!(mechanic.get("/motorcycles").await.status, 303, "signed out");
    // Another workshop's people are not there.
    let others = Reader::signed_in_as(&server, "second@example.org", crate::harness::database::PASSWORD).await;
    assert_eq!(others.send(&format!("{mine}/erase"), &[("sure", "yes")]).await.status, 404);
});

/// The audit page about accounts, once it says this: a refused sign-in is written after its answer.
async fn audit(server: &Server, reader: &Reader, wanted: &str) -> Page {
    for _ in 0..100 {
        let page = reader.at(server).get("/audit?kind=account").await;
        if page.text.contains(wanted) {
            return page;
        }
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    panic!("{wanted:?} is not in {}", reader.get("/audit?kind=account").await.text)
}

on_both_engines!(the_audit_page_says_who_signed_in_and_how, async |server| {
    let reader = Reader::signed_in(&server).await;
    let (secret, codes) = second_factor::set_up(&reader).await;
    let half = second_factor::half_way(&server).await;
    assert_eq!(second_factor::second(&half, "000000").await.status, 422);
    audit(&server, &reader, "tried to sign in as first and was refused: the password was right, the code was not").await;
    assert_eq!(second_factor::second(&half, &second_factor::code_now(&secret)).await.status, 303);
    let other = second_factor::half_way(&server).await;
    assert_eq!(second_factor::second(&other, &codes[0]).await.status, 303);
    assert_eq!(other.send("/sign-out", &[]).await.location(), "/sign-in");
    Reader::new(&server).send("/sign-in", &[("email", "first@example.org"), ("password", "not the right one")]).await;
    let page = audit(&server, &reader, "tried to sign in as first and was refused: the password was wrong").await;
    for words in [
        "signed in with the password, without a second factor",
        "signed in with the password and a code of the authenticator",
        "signed in with the password and a recovery code",
        "signed out",
        "switched the second factor on",
        "somebody from 127.0.0.1",
        "first from 127.0.0.1",
    ] {
        page.says(words);
    }
    page.hides("not the right one").hides("000000").hides(&codes[0]);
});
