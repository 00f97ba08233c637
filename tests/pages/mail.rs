//! The pages about mail: a preview, the letters, and stopping them by the link in one.
use serde_json::json;
use witnessmark::{
    access::Caller,
    actions::{App, letter, report::Looking},
    domain::letter::Letter,
    mail::reports,
    store::{Stretch, workshop},
};

use crate::{
    harness::{Server, on_both_engines},
    reader::Reader,
};

async fn letters(app: &App) -> Vec<Letter> {
    let workshops = workshop::all(&mut app.store.read().await.unwrap()).await.unwrap();
    let first = workshops.iter().find(|workshop| workshop.name == "Quayside Works").unwrap().id;
    let mut work = app.read(&Caller::command_line(first)).await.unwrap();
    letter::list(&mut work, Stretch::ALL).await.unwrap()
}
async fn owner(server: &Server) -> String {
    let body = json!({"name": "Ada <i>Birch</i>", "email": "ada@example.org", "reports": {"frequency": "daily", "only_changes": false}});
    let owner = server.post("/owners", &body).await.id();
    server.motorcycle(json!({"name": "Ferry <b>2</b>", "owner_id": owner, "in_service_on": "2025-01-10"})).await;
    let rule = json!({"name": "Chain", "component": "drive_chain", "operation": "adjust", "every": {"months": 12}});
    server.post("/interval-rules", &rule).await.created();
    owner
}
fn way_to_stop(letter: &Letter) -> String {
    let header = letter.headers.iter().find(|header| header.name == "List-Unsubscribe").unwrap();
    format!("/unsubscribe/{}", header.value.trim_end_matches('>').rsplit('/').next().unwrap())
}

on_both_engines!(the_mail_is_seen_before_it_goes, async |server| {
    server.change("/workshop", &json!({"reports": {"greeting": "Come & see us <b>2</b>"}})).await.ok();
    let owner = owner(&server).await;
    let reader = Reader::signed_in(&server).await;
    for path in [format!("/owners/{owner}/mail"), "/workshop/mail".into()] {
        let page = reader.get(&path).await;
        assert_eq!(page.status, 200);
        for words in ["What the mail would say now", "1 due: Ferry", "Chain", "service manual", "WITNESSMARK_SMTP_URL"] {
            assert!(page.text.contains(words), "{path}: {words} is missing: {}", page.text);
        }
        assert!(!page.text.contains("<b>2</b>") && !page.text.contains("style="), "{}", page.text);
    }
    assert!(reader.get(&format!("/owners/{owner}/edit")).await.text.contains(&format!("/owners/{owner}/mail")));
    assert!(letters(&server.app).await.is_empty(), "a preview sends nothing");
    assert_eq!(reports::compose(&server.app, Looking::For(None)).await.unwrap(), 1);
    let page = reader.get("/letters").await;
    assert!(page.text.contains("ada@example.org") && page.text.contains("Pending"), "{}", page.text);
    let nobody = Reader::new(&server);
    assert_eq!(nobody.get("/letters").await.status, 303);
});

on_both_engines!(it_is_stopped_by_the_link_in_it, async |server| {
    let owner = owner(&server).await;
    assert_eq!(reports::compose(&server.app, Looking::For(None)).await.unwrap(), 1);
    let letter = letters(&server.app).await.remove(0);
    assert!(!letter.html.contains("<b>2</b>") && letter.html.contains("Ferry &#60;b&#62;2"), "{}", letter.html);
    let path = way_to_stop(&letter);
    let nobody = Reader::new(&server);
    let frequency = async || server.get(&format!("/owners/{owner}")).await.ok()["reports"]["frequency"].clone();
    let asked = nobody.get(&path).await;
    assert!(asked.status == 200 && asked.text.contains("ada@example.org"), "{}", asked.text);
    assert_eq!(asked.headers["referrer-policy"], "no-referrer");
    assert_eq!(frequency().await, "daily", "following the link changes nothing");
    assert_eq!(nobody.send(&path, &[("other", "thing")]).await.status, 400);
    assert_eq!(
        nobody.send("/unsubscribe/AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA", &[("List-Unsubscribe", "One-Click")]).await.status,
        404
    );
    assert_eq!(frequency().await, "daily");
    let done = nobody.send(&path, &[("List-Unsubscribe", "One-Click")]).await;
    assert!(done.status == 200 && done.text.contains("have stopped"), "{}", done.text);
    assert_eq!(frequency().await, "off");
    assert_eq!(nobody.send(&path, &[("List-Unsubscribe", "One-Click")]).await.status, 200, "a second time is no fault");
    let reader = Reader::signed_in(&server).await;
    assert!(reader.get(&format!("/owners/{owner}/edit")).await.text.contains("Stopped by the link in a mail"));
    assert!(reader.get("/audit").await.text.contains("ada@example.org, by the link in a mail"));
    // An address of the workshop's settings.
    let reports_to = json!({"reports": {"frequency": "daily", "only_changes": false, "to": ["Shop@example.org", "chief@example.org"]}});
    server.change("/workshop", &reports_to).await.ok();
    assert_eq!(reports::compose(&server.app, Looking::For(None)).await.unwrap(), 2);
    let to_shop = letters(&server.app).await.into_iter().find(|letter| letter.to.address == "Shop@example.org").unwrap();
    assert_eq!(nobody.send(&way_to_stop(&to_shop), &[("List-Unsubscribe", "One-Click")]).await.status, 200);
    assert_eq!(server.get("/workshop").await.ok()["reports"]["to"], json!(["chief@example.org"]));
});
