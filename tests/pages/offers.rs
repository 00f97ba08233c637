//! Handing on a motorcycle on the pages: the owner finds the line and accepts; a link is opened by another workshop.
use serde_json::json;

use crate::{
    harness::{Server, database::PASSWORD, on_both_engines},
    reader::Reader,
};

const BOS: &str = "kettle moss crane";

async fn owner_comes_in(server: &Server, owner: &str) -> Reader {
    let body = json!({"email": "bo@example.org", "name": "Bo Reed", "roles": ["owner"], "owner_id": owner});
    let link = server.post("/people", &body).await.created()["link"].as_str().unwrap().to_owned();
    let reader = Reader::new(server);
    assert_eq!(reader.send(&link, &[("name", "Bo Reed"), ("password", BOS)]).await.status, 303);
    reader
}
/// The address that a page shows once, to copy.
fn secret_link(text: &str) -> String {
    let rest = text.split("class=\"secret\">").nth(1).expect("a link to copy");
    rest.split('<').next().unwrap().trim().to_owned()
}

on_both_engines!(an_owner_finds_what_is_offered_and_accepts_it, async |server| {
    let bo = server.post("/owners", &json!({"name": "Bo Reed"})).await.id();
    let bike = server.motorcycle(json!({"name": "Courier 3"})).await;
    let (bos, managers) = (owner_comes_in(&server, &bo).await, Reader::signed_in(&server).await);
    assert!(!bos.get("/").await.text.contains("Courier 3"));
    assert!(managers.get(&format!("{bike}/edit")).await.text.contains(&format!("href=\"{bike}/hand-on\"")));
    let wrong = managers.fill(&format!("{bike}/hand-on"), &[("to_owner_id", ""), ("to_email", "")]).await;
    assert_eq!(wrong.status, 422);
    let made = managers.fill(&format!("{bike}/hand-on"), &[("to_owner_id", &bo), ("to_email", "")]).await;
    assert_eq!(made.status, 303, "{}", made.text);
    assert!(managers.get(&format!("{bike}/hand-on")).await.text.contains("Withdraw the offer"));
    for page in ["/", "/motorcycles"] {
        assert!(bos.get(page).await.text.contains("is offered to you"), "{page}");
    }
    let text = bos.get("/").await.text;
    let path = format!("/offers/{}", text.split("href=\"/offers/").nth(1).unwrap().split('"').next().unwrap());
    // The manager may look, and is not asked.
    assert!(!managers.get(&path).await.text.contains("value=\"accept\""));
    assert_eq!(managers.send(&path, &[("answer", "accept")]).await.status, 409);
    let accepted = bos.fill(&path, &[("answer", "accept")]).await;
    assert_eq!((accepted.status, accepted.location()), (303, bike.as_str()), "{}", accepted.text);
    assert_eq!(bos.get(&bike).await.status, 200);
    assert!(!bos.get("/").await.text.contains("is offered to you"));
    assert_eq!(bos.get(&path).await.status, 404);
});

on_both_engines!(a_mechanic_with_motorcycles_of_their_own_can_be_offered_one, async |server| {
    let bo = server.post("/owners", &json!({"name": "Bo Reed"})).await.id();
    let bike = server.motorcycle(json!({"name": "Courier 3"})).await;
    let bos = owner_comes_in(&server, &bo).await;
    let person = server.all("/people").await.iter().find(|person| person["name"] == "Bo Reed").unwrap()["id"].clone();
    server.change(&format!("/people/{}", person.as_str().unwrap()), &json!({"roles": ["mechanic", "owner"]})).await.ok();
    let offer = server.post(&format!("{bike}/offers"), &json!({"to_owner_id": bo})).await.created();
    let path = format!("/offers/{}", offer["id"].as_str().unwrap());
    assert!(bos.get("/motorcycles").await.text.contains("is offered to you"));
    let accepted = bos.fill(&path, &[("answer", "accept")]).await;
    assert_eq!((accepted.status, accepted.location()), (303, bike.as_str()), "{}", accepted.text);
    assert_eq!(server.get(&bike).await.ok()["owner_id"], bo.as_str());
});

on_both_engines!(another_workshop_opens_the_link_and_accepts, async |server| {
    let bike = server.motorcycle(json!({"name": "Courier 3"})).await;
    let managers = Reader::signed_in(&server).await;
    let hand_on = format!("{bike}/hand-on");
    let made = managers.fill(&hand_on, &[("to_owner_id", ""), ("to_email", "dee@example.org")]).await;
    assert_eq!((made.status, made.header("cache-control")), (200, "no-store"), "{}", made.text);
    let link = secret_link(&made.text);
    assert!(!managers.get(&hand_on).await.text.contains(&link), "it is shown once");
    // Whoever is not signed in is asked to; the workshop itself and an owner cannot answer.
    assert_eq!(Reader::new(&server).get(&link).await.status, 303);
    assert!(!managers.get(&link).await.text.contains("value=\"accept\""));
    let bo = server.post("/owners", &json!({"name": "Bo Reed"})).await.id();
    let bos = owner_comes_in(&server, &bo).await;
    assert!(!bos.get(&link).await.text.contains("value=\"accept\""));
    assert_eq!(bos.send(&link, &[("answer", "accept")]).await.status, 403);
    let fars = Reader::signed_in_as(&server, "second@example.org", PASSWORD).await;
    let page = fars.get(&link).await;
    assert!(page.text.contains("Internal notes, prices and the owner stay behind"), "{}", page.text);
    assert_eq!(page.header("referrer-policy"), "no-referrer");
    let accepted = fars.fill(&link, &[("answer", "accept")]).await;
    assert_eq!(accepted.status, 303, "{}", accepted.text);
    assert_eq!(fars.get(accepted.location()).await.status, 200);
    let again = fars.get(&link).await;
    assert!(again.status == 409 && again.text.contains("accepted already"), "{}", again.text);
    assert_eq!(fars.get("/offers/guessed").await.status, 404);
    assert!(managers.get(&hand_on).await.text.contains("accepted on"));
});
