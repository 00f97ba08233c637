//! Webhooks for a manager: the secret once, a test message, and what came of it.
use serde_json::json;

use crate::{harness::on_both_engines, reader::Reader};

on_both_engines!(added_tested_and_deleted, async |server| {
    let reader = Reader::signed_in(&server).await;
    reader.get("/workshop").await.says("href=\"/webhooks\"");
    let wrong = reader.fill("/webhooks", &[("name", "Shop"), ("url", "http://127.0.0.1:9/")]).await;
    assert_eq!(wrong.status, 422);
    wrong.says("inside the private network").says("Name at least one event.").says("value=\"Shop\"");
    let made = reader.fill("/webhooks", &[("name", "Shop"), ("url", "https://hooks.invalid/x"), ("events", "service.logged")]).await;
    assert_eq!(made.status, 200, "{}", made.text);
    made.says("whsec_");
    let id = server.all("/webhooks").await[0]["id"].as_str().unwrap().to_owned();
    let at = format!("/webhooks/{id}");
    reader.get("/webhooks").await.says(&at).says("work was written up").hides("whsec_");
    reader.get(&at).await.says("Nothing yet.").says("Send a test message");
    let sent = reader.fill_at(&at, &format!("{at}/test"), &[]).await;
    assert_eq!((sent.status, sent.location()), (303, at.as_str()), "{}", sent.text);
    // No sender runs in this test: it is on its way.
    reader.get(&at).await.says("Test").says("On its way");
    assert_eq!(server.all(&format!("{at}/deliveries")).await[0]["type"], "webhook.test");
    reader.fill_at(&at, &format!("{at}/active"), &[("active", "no")]).await;
    reader.get(&at).await.says("It is told nothing for now.");
    assert_eq!(server.get(&at).await.ok()["active"], json!(false));
    assert_eq!(reader.send(&format!("{at}/delete"), &[]).await.status, 303);
    assert_eq!(reader.get(&at).await.status, 404);
});
