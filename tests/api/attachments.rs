//! Attachments: what is taken, how it is given out, and who sees it.
use reqwest::{
    Method,
    multipart::{Form, Part},
};
use serde_json::{Value, json};

use crate::harness::{
    Answer, Server, on_both_engines,
    picture::{self, PHOTO},
};

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
    let made = attach(&server, &bike, "../rear axle \u{e4}.jpg", PHOTO).await;
    let path = made.header("location").trim_start_matches("/api/v1").to_owned();
    let made = made.created();
    assert_eq!(made["belongs_to"], json!(bike));
    assert_eq!((&made["belongs_to_kind"], &made["motorcycle_id"]), (&json!("motorcycle"), &json!(bike)));
    // Its bytes say what it is, not its name.
    assert_eq!(
        (&made["media_type"], &made["name"], &made["size"]),
        (&json!("image/png"), &json!("rear axle \u{e4}.jpg"), &json!(PHOTO.len()))
    );
    // Worked out with sha256sum.
    assert_eq!(made["sha256"], "6c54d5b23a761aa92da26a45323650a806dee032e1670974e7d48bb0d3c2832a");
    let bytes = server.request(Method::GET, &path).send().await.unwrap();
    let header = |name: &str| bytes.headers()[name].to_str().unwrap().to_owned();
    assert_eq!((header("content-type"), header("x-content-type-options")), ("image/png".into(), "nosniff".into()));
    assert_eq!(header("content-disposition"), "inline; filename=\"rear axle _.jpg\"; filename*=UTF-8''rear%20axle%20%C3%A4.jpg");
    assert!(header("content-security-policy").contains("sandbox"));
    let tag = header("etag");
    assert_eq!(bytes.bytes().await.unwrap(), PHOTO);
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
    photo[..PHOTO.len()].copy_from_slice(PHOTO);
    assert_eq!(attach(&server, &bike, "large.jpg", &photo).await.created()["size"], json!(photo.len()));
    photo.push(0);
    attach(&server, &bike, "larger.jpg", &photo).await.problem(413);
    assert_eq!(server.count("/attachments").await, 1);
});

on_both_engines!(what_is_wrong_is_named, async |server| {
    let (_, bike) = bike(&server).await;
    assert_eq!(attach(&server, "courier", "a.jpg", PHOTO).await.wrong(), ["/belongs_to"]);
    assert_eq!(attach(&server, "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77", "a.jpg", PHOTO).await.wrong(), ["/belongs_to"]);
    assert_eq!(attach(&server.other_workshop(), &bike, "a.jpg", PHOTO).await.wrong(), ["/belongs_to"]);
    assert_eq!(attach(&server, &bike, "a.jpg", b"").await.wrong(), ["/file"]);
    let form = || Form::new().text("belongs_to", bike.clone()).part("file", Part::bytes(PHOTO));
    let send = async |form: Form| server.send(server.request(Method::POST, "/attachments").multipart(form)).await;
    assert_eq!(send(form().text("note", "x")).await.wrong(), ["/note"]);
    assert_eq!(send(form().part("file", Part::bytes(PHOTO))).await.wrong(), ["/file"]);
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
        let form = Form::new().text("belongs_to", bike.clone()).part("file", Part::bytes(PHOTO).file_name(name));
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
    let of_event = attach(&server, event_id, "a.jpg", PHOTO).await.created();
    let of_part = attach(&server, part, "b.jpg", PHOTO).await.created();
    assert_eq!((&of_event["belongs_to_kind"], &of_part["belongs_to_kind"]), (&json!("service_event"), &json!("installed_part")));
    assert_eq!((&of_event["motorcycle_id"], &of_part["motorcycle_id"]), (&json!(bike), &json!(bike)));
    let ids = |items: Vec<Value>| items.iter().map(|item| item["id"].clone()).collect::<Vec<_>>();
    assert_eq!(ids(server.all("/attachments?limit=1").await), [of_event["id"].clone(), of_part["id"].clone()]);
    assert_eq!(ids(server.all(&format!("/attachments?belongs_to={part}")).await), [of_part["id"].clone()]);
    assert_eq!(server.get("/attachments?belongs_to=part").await.wrong(), ["/belongs_to"]);
});

on_both_engines!(a_hidden_one_is_gone, async |server| {
    let (_, bike) = bike(&server).await;
    let path = format!("/attachments/{}", attach(&server, &bike, "a.jpg", PHOTO).await.id());
    server.send(server.request(Method::DELETE, &path)).await.problem(428);
    server.delete(&path, "\"old\"").await.problem(412);
    assert_eq!(server.other_workshop().get(&path).await.status, 404);
    server.other_workshop().delete(&path, "*").await.problem(404);
    // The tag of what is known about it, or that of its bytes.
    let second = format!("/attachments/{}", attach(&server, &bike, "b.jpg", PHOTO).await.id());
    assert_eq!(server.delete(&path, &metadata(&server, &path).await.etag()).await.status, 204);
    assert_eq!(server.remove(&second).await.status, 204);
    for path in [path, second] {
        server.get(&path).await.problem(404);
    }
    assert_eq!(server.count("/attachments").await, 0);
});

/// What comes from an address: its status, its type, its entity tag, its bytes.
async fn fetch(server: &Server, path: &str) -> (u16, String, String, Vec<u8>) {
    let answer = server.request(Method::GET, path).send().await.unwrap();
    let header = |name: &str| answer.headers().get(name).map_or("", |value| value.to_str().unwrap()).to_owned();
    let (status, kind, tag) = (answer.status().as_u16(), header("content-type"), header("etag"));
    (status, kind, tag, answer.bytes().await.unwrap().to_vec())
}

on_both_engines!(a_thumbnail_is_upright_and_says_nothing_about_the_place, async |server| {
    let (_, bike) = bike(&server).await;
    // Held on its side, with a position in it, as a telephone sends it.
    let photo = picture::jpeg(900, 600, 6);
    assert!(picture::has_place(&photo));
    let id = attach(&server, &bike, "chain.jpg", &photo).await.id();
    let path = format!("/attachments/{id}/thumbnail");
    let (status, kind, tag, small) = fetch(&server, &path).await;
    assert_eq!((status, kind.as_str()), (200, "image/jpeg"));
    assert!(!picture::has_place(&small) && !small.windows(4).any(|four| four == b"Exif"), "nothing of the camera's");
    assert!(!small.windows(2).any(|two| two == [0xff, 0xe1]), "no APP1 segment");
    let seen = image::load_from_memory(&small).unwrap().to_rgb8();
    assert_eq!(seen.dimensions(), (240, 360));
    assert!(seen.get_pixel(120, 40).0[0] > 200 && seen.get_pixel(120, 320).0[2] > 200, "the left, red, is on top");
    let known = server.send(server.request(Method::GET, &path).header("if-none-match", &tag)).await;
    assert_eq!((known.status, known.text.as_str()), (304, ""));
    // The workshop's own record stays as it was sent.
    assert_eq!(fetch(&server, &format!("/attachments/{id}")).await.3, photo);
    // A document has none; what is hidden has none any more; nobody else's has one.
    let document = attach(&server, &bike, "bill.pdf", b"%PDF-1.7 words").await.id();
    server.get(&format!("/attachments/{document}/thumbnail")).await.problem(404);
    server.other_workshop().get(&path).await.problem(404);
    server.remove(&format!("/attachments/{id}")).await;
    server.get(&path).await.problem(404);
});

on_both_engines!(what_pretends_is_refused_and_says_why, async |server| {
    let (_, bike) = bike(&server).await;
    let pages = picture::with_comment(&picture::jpeg(16, 16, 1), b"<script>alert(1)</script>");
    let archive = [&picture::jpeg(16, 16, 1)[..], b"PK\x05\x06\0\0\0\0\x01\0\x01\0\0\0\0\0\0\0\0\0\0\0"].concat();
    for (name, content, why) in [
        ("bomb.png", picture::enormous_png(), "megapixels"),
        ("bomb.jpg", picture::enormous_jpeg(), "megapixels"),
        ("photo.heic", b"\0\0\0\x18ftypheic\0\0\0\0mif1heic".to_vec(), "JPEG"),
        ("cut.jpg", b"\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\x01".to_vec(), "cut off"),
        ("page.jpg", pages, "web page"),
        ("archive.jpg", archive, "an archive"),
    ] {
        let refused = attach(&server, &bike, name, &content).await;
        assert_eq!((refused.status, refused.wrong()), (422, vec!["/file".to_owned()]), "{name}");
        assert!(refused.text.contains(why), "{name}: {}", refused.text);
    }
    assert_eq!(server.count("/attachments").await, 0);
});

on_both_engines!(a_photo_belongs_to_a_line, async |server| {
    let (path, bike) = bike(&server).await;
    let event = json!({"on": "2026-05-02", "odometer": 100, "work": [{"component": "drive_chain", "operation": "adjust"}],
        "as_found": [{"component": "wheel", "position": "rear", "text": "Spacer left"}]});
    let event = server.post(&format!("{path}/service-events"), &event).await.id();
    let at = async |belongs_to: &str, line: &str| {
        let form = Form::new()
            .text("belongs_to", belongs_to.to_owned())
            .text("line", line.to_owned())
            .part("file", Part::bytes(PHOTO).file_name("a.png"));
        server.send(server.request(Method::POST, "/attachments").multipart(form)).await
    };
    assert_eq!(at(&event, "/as_found/0").await.created()["line"], "/as_found/0");
    assert_eq!(at(&event, "").await.created()["line"], Value::Null);
    for wrong in ["/as_found/1", "/work/-1", "/notes", "work/0", "/measured/0"] {
        assert_eq!(at(&event, wrong).await.wrong(), ["/line"], "{wrong}");
    }
    assert_eq!(at(&bike, "/work/0").await.wrong(), ["/line"]);

    // Another note is put before it: the photo goes along. Worded anew, it stays. Taken out, the photo is the whole event's.
    let path = format!("/service-events/{event}");
    let spacer = |text: &str| json!({"component": "wheel", "position": "rear", "text": text});
    let shown = async || server.all(&format!("/attachments?belongs_to={event}")).await[0]["line"].clone();
    server.change(&path, &json!({"as_found": [spacer("Bearing cover loose"), spacer("Spacer left")]})).await.ok();
    assert_eq!(shown().await, "/as_found/1");
    server.change(&path, &json!({"as_found": [spacer("Bearing cover loose"), spacer("Spacer on the left")]})).await.ok();
    assert_eq!(shown().await, "/as_found/1");
    server.change(&path, &json!({"as_found": [spacer("Bearing cover loose")]})).await.ok();
    assert_eq!(shown().await, Value::Null);
});

on_both_engines!(what_is_signed_off_keeps_its_photos_and_what_is_struck_out_gets_none, async |server| {
    let (path, _) = bike(&server).await;
    let event = async || server.post(&format!("{path}/service-events"), &json!({"on": "2026-05-02", "summary": "Chain"})).await.id();
    let (signed, struck) = (event().await, event().await);
    let photo = attach(&server, &signed, "axle.png", PHOTO).await.id();
    let other = attach(&server, &struck, "gasket.png", PHOTO).await.id();
    server.post(&format!("/service-events/{signed}/signature"), &json!({"statement": "Done as written"})).await.created();
    server.remove(&format!("/attachments/{photo}")).await.problem(409);
    assert_eq!(fetch(&server, &format!("/attachments/{photo}")).await.0, 200);
    let found = async || server.all("/search?q=gasket").await[0]["struck_out"].clone();
    assert_eq!(found().await, false);
    assert_eq!(server.remove(&format!("/service-events/{struck}?reason=wrong")).await.status, 204);
    assert_eq!(found().await, true, "it is struck out with its event");
    attach(&server, &struck, "late.png", PHOTO).await.problem(409);
    assert_eq!(server.remove(&format!("/attachments/{other}")).await.status, 204);
});

on_both_engines!(an_owner_gets_a_photo_without_what_the_camera_wrote, async |server| {
    let owner = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let path = server.motorcycle(json!({"owner_id": owner})).await;
    let photo = picture::jpeg(64, 32, 6);
    let id = attach(&server, path.rsplit('/').next().unwrap(), "a.jpg", &photo).await.id();
    let token = server.post("/tokens", &json!({"name": "Ada", "scopes": ["read"], "owner_id": owner})).await.created();
    let ada = server.with_token(token["token"].as_str().unwrap());
    let (status, kind, tag, plain) = fetch(&ada, &format!("/attachments/{id}")).await;
    assert_eq!((status, kind.as_str()), (200, "image/jpeg"));
    assert!(!picture::has_place(&plain) && picture::has_place(&photo));
    assert_eq!(image::load_from_memory(&plain).unwrap(), image::load_from_memory(&photo).unwrap(), "the same pixels");
    assert_ne!(tag, fetch(&server, &format!("/attachments/{id}")).await.2);
    assert_eq!(fetch(&ada, &format!("/attachments/{id}/thumbnail")).await.0, 200);
});
