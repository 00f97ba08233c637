//! Attachments: what is taken, how it is given out, and who sees it.
use reqwest::{
    Method,
    multipart::{Form, Part},
};
use serde_json::{Value, json};

use crate::harness::{Answer, Server, on_both_engines};

const JPEG: &[u8] = b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01";

async fn attach(server: &Server, belongs_to: &str, name: &str, content: &[u8]) -> Answer {
    let form = Form::new().text("belongs_to", belongs_to.to_owned()).part("file", Part::bytes(content.to_vec()).file_name(name.to_owned()));
    server.send(server.request(Method::POST, "/attachments").multipart(form)).await
}
async fn metadata(server: &Server, path: &str) -> Answer {
    server.send(server.request(Method::GET, path).header("accept", "application/json")).await
}
async fn bike(server: &Server) -> (String, String) {
    let path = server.motorcycle(json!({})).await;
    let id = path.trim_start_matches("/motorcycles/").to_owned();
    (path, id)
}

on_both_engines!(a_photo_comes_back_as_it_was, async |server| {
    let (_, bike) = bike(&server).await;
    let made = attach(&server, &bike, "../rear axle \u{e4}.png", JPEG).await;
    let path = made.header("location").trim_start_matches("/api/v1").to_owned();
    let made = made.created();
    assert_eq!(made["belongs_to"], json!(bike));
    assert_eq!((&made["belongs_to_kind"], &made["motorcycle_id"]), (&json!("motorcycle"), &json!(bike)));
    // Its bytes say what it is, not its name.
    assert_eq!(
        (&made["media_type"], &made["name"], &made["size"]),
        (&json!("image/jpeg"), &json!("rear axle \u{e4}.png"), &json!(JPEG.len()))
    );
    // Worked out with sha256sum.
    assert_eq!(made["sha256"], "ae0e381fa858d6782d6859eb9337b80e670dc0021361fdd55d49299f1b4c26fd");
    let bytes = server.request(Method::GET, &path).send().await.unwrap();
    let header = |name: &str| bytes.headers()[name].to_str().unwrap().to_owned();
    assert_eq!((header("content-type"), header("x-content-type-options")), ("image/jpeg".into(), "nosniff".into()));
    assert_eq!(header("content-disposition"), "inline; filename=\"rear axle _.png\"; filename*=UTF-8''rear%20axle%20%C3%A4.png");
    assert!(header("content-security-policy").contains("sandbox"));
    let tag = header("etag");
    assert_eq!(bytes.bytes().await.unwrap(), JPEG);
    let known = server.send(server.request(Method::GET, &path).header("if-none-match", &tag)).await;
    assert_eq!((known.status, known.text.as_str()), (304, ""));
    assert_eq!(metadata(&server, &path).await.ok(), made);
});

on_both_engines!(only_some_types_are_taken, async |server| {
    let (_, bike) = bike(&server).await;
    for (name, content) in [
        ("page.jpg", &b"<html><script>alert(1)</script>"[..]),
        ("drawing.png", b"<svg xmlns='http://www.w3.org/2000/svg'/>"),
        ("archive.pdf", b"PK\x03\x04%PDF-1.7"),
        ("nothing.jpg", b"\0"),
    ] {
        attach(&server, &bike, name, content).await.problem(415);
    }
    let pdf = attach(&server, &bike, "bill.jpg", b"%PDF-1.7\n").await.created();
    assert_eq!(pdf["media_type"], "application/pdf");
    let json = server.post("/attachments", &json!({"belongs_to": bike})).await;
    json.problem(415);
    assert_eq!(server.count("/attachments").await, 1);
});

on_both_engines!(ten_mebibytes_and_no_more, async |server| {
    let (_, bike) = bike(&server).await;
    let mut photo = vec![0; 10 * 1024 * 1024];
    photo[..JPEG.len()].copy_from_slice(JPEG);
    assert_eq!(attach(&server, &bike, "large.jpg", &photo).await.created()["size"], json!(photo.len()));
    photo.push(0);
    attach(&server, &bike, "larger.jpg", &photo).await.problem(413);
    assert_eq!(server.count("/attachments").await, 1);
});

on_both_engines!(what_is_wrong_is_named, async |server| {
    let (_, bike) = bike(&server).await;
    assert_eq!(attach(&server, "courier", "a.jpg", JPEG).await.wrong(), ["/belongs_to"]);
    assert_eq!(attach(&server, "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77", "a.jpg", JPEG).await.wrong(), ["/belongs_to"]);
    assert_eq!(attach(&server.other_workshop(), &bike, "a.jpg", JPEG).await.wrong(), ["/belongs_to"]);
    assert_eq!(attach(&server, &bike, "a.jpg", b"").await.wrong(), ["/file"]);
    let form = || Form::new().text("belongs_to", bike.clone()).part("file", Part::bytes(JPEG));
    let send = async |form: Form| server.send(server.request(Method::POST, "/attachments").multipart(form)).await;
    assert_eq!(send(form().text("note", "x")).await.wrong(), ["/note"]);
    assert_eq!(send(form().part("file", Part::bytes(JPEG))).await.wrong(), ["/file"]);
    assert_eq!(send(form().text("belongs_to", bike.clone())).await.wrong(), ["/belongs_to"]);
    assert_eq!(send(Form::new().text("other", "x")).await.wrong(), ["/belongs_to", "/file", "/other"]);
    let cut = server.request(Method::POST, "/attachments").header("content-type", "multipart/form-data; boundary=x");
    server.send(cut.body("--x\r\ncontent-disposition: form-data; name=\"file\"; filename=\"a.jpg\"\r\n\r\n\u{0}")).await.problem(400);
    assert_eq!(server.count("/attachments").await, 0);
});

on_both_engines!(a_repeated_form_is_kept_once, async |server| {
    let (_, bike) = bike(&server).await;
    let send = async |name: &'static str| {
        // Each form has a boundary of its own.
        let form = Form::new().text("belongs_to", bike.clone()).part("file", Part::bytes(JPEG).file_name(name));
        server.send(server.request(Method::POST, "/attachments").header("idempotency-key", "k1").multipart(form)).await
    };
    let first = send("a.jpg").await.created();
    let again = send("a.jpg").await;
    assert_eq!(again.header("idempotency-replayed"), "true");
    assert_eq!(again.created(), first);
    send("b.jpg").await.wrong();
    assert_eq!(server.count("/attachments").await, 1);
});

on_both_engines!(to_an_event_and_to_a_part, async |server| {
    let (path, bike) = bike(&server).await;
    let event = server
        .post(
            &format!("{path}/service-events"),
            &json!({"on": "2026-05-02", "odometer": 100, "fitted": [{"component": "brake_pads", "position": "rear"}]}),
        )
        .await
        .created();
    let event_id = event["id"].as_str().unwrap();
    let part = event["fitted"][0]["installed_part_id"].as_str().unwrap();
    let of_event = attach(&server, event_id, "a.jpg", JPEG).await.created();
    let of_part = attach(&server, part, "b.jpg", JPEG).await.created();
    assert_eq!((&of_event["belongs_to_kind"], &of_part["belongs_to_kind"]), (&json!("service_event"), &json!("installed_part")));
    assert_eq!((&of_event["motorcycle_id"], &of_part["motorcycle_id"]), (&json!(bike), &json!(bike)));
    let ids = |items: Vec<Value>| items.iter().map(|item| item["id"].clone()).collect::<Vec<_>>();
    assert_eq!(ids(server.all("/attachments?limit=1").await), [of_event["id"].clone(), of_part["id"].clone()]);
    assert_eq!(ids(server.all(&format!("/attachments?belongs_to={part}")).await), [of_part["id"].clone()]);
    assert_eq!(server.get("/attachments?belongs_to=part").await.wrong(), ["/belongs_to"]);
});

on_both_engines!(a_hidden_one_is_gone, async |server| {
    let (_, bike) = bike(&server).await;
    let path = format!("/attachments/{}", attach(&server, &bike, "a.jpg", JPEG).await.id());
    server.send(server.request(Method::DELETE, &path)).await.problem(428);
    server.delete(&path, "\"old\"").await.problem(412);
    assert_eq!(server.other_workshop().get(&path).await.status, 404);
    server.other_workshop().delete(&path, "*").await.problem(404);
    // The tag of what is known about it, or that of its bytes.
    let second = format!("/attachments/{}", attach(&server, &bike, "b.jpg", JPEG).await.id());
    assert_eq!(server.delete(&path, &metadata(&server, &path).await.etag()).await.status, 204);
    assert_eq!(server.remove(&second).await.status, 204);
    for path in [path, second] {
        server.get(&path).await.problem(404);
    }
    assert_eq!(server.count("/attachments").await, 0);
});
