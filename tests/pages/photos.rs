//! Photographs from the write-up, without script: at their lines, the next time, in the history; and what is refused costs no word.
use serde_json::{Value, json};

use crate::{
    harness::{
        on_both_engines,
        picture::{self, PHOTO},
    },
    reader::{Page, Reader},
};

/// The value of a field that waits with the form.
fn kept(page: &Page, field: &str) -> String {
    let rest = page.text.split_once(&format!("name=\"{field}.kept\" value=\"")).unwrap_or_else(|| panic!("nothing waits: {}", page.text)).1;
    rest.split('"').next().unwrap().to_owned()
}
fn lines(attachments: &[Value]) -> Vec<Option<&str>> {
    attachments.iter().map(|one| one["line"].as_str()).collect()
}

on_both_engines!(photos_come_with_the_work_and_show_their_lines, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let rule = json!({"name": "Clean the chain", "component": "drive_chain", "operation": "clean", "every": {"months": 6}});
    server.post("/interval-rules", &rule).await.created();
    let due = server.get(&format!("{bike}/due")).await.items()[0]["id"].as_str().unwrap().to_owned();
    let reader = Reader::signed_in(&server).await;
    let path = format!("{bike}/write-up");
    let form = reader.get(&path).await;
    form.says("enctype=\"multipart/form-data\"").says("accept=\"image/*\" capture=\"environment\" multiple");
    let key = form.key();
    let photo = picture::jpeg(400, 300, 6);
    let fields = [
        ("once", key.as_str()),
        ("on", "2026-06-15"),
        ("due", &due),
        ("photos.r0", "free"),
        ("photos.r0.of", &due),
        ("as_found.r0", "free"),
        ("as_found.r0.component", "axle"),
        ("as_found.r0.position", "rear"),
        ("as_found.r0.text", ""),
        ("notes", "First line\r\nsecond line"),
    ];
    let files: [(&str, &str, &[u8]); 4] = [
        ("photos.r0.photo", "chain.jpg", &photo),
        ("photos.r0.photo", "chain again.png", PHOTO),
        ("as_found.r0.photo", "spacer.png", PHOTO),
        ("work.r7.photo", "", b""),
    ];
    let saved = reader.send_files(&path, &fields, &files).await;
    assert_eq!(saved.status, 303, "{}", saved.text);
    // A second tap leads to the same place and keeps nothing twice.
    assert_eq!(reader.send_files(&path, &fields, &files).await.location(), saved.location());
    let all = server.all("/attachments").await;
    assert_eq!(lines(&all), [Some("/work/0"), Some("/work/0"), Some("/as_found/0")]);
    let event = reader.get(saved.location()).await;
    event.says("alt=\"Photo: chain.jpg\"").says("alt=\"Photo: spacer.png\"").says("width=\"270\" height=\"360\"").says("loading=\"lazy\"");
    event.says("First line").says("See the photo");
    let small = format!("/attachments/{}/thumbnail", all[0]["id"].as_str().unwrap());
    assert_eq!((reader.get_with("accept", "image/*", &small).await.status, Reader::new(&server).get(&small).await.status), (200, 303));
    // In the history, and where the axle is worked on the next time.
    reader.get(&bike).await.says("alt=\"Photo: spacer.png\"");
    let axle =
        json!({"name": "Grease the axle", "component": "axle", "position": "rear", "operation": "lubricate", "every": {"months": 12}});
    server.post("/interval-rules", &axle).await.created();
    let items = server.get(&format!("{bike}/due")).await.items();
    let axle = items.iter().find(|item| item["component"] == "axle").unwrap()["id"].as_str().unwrap().to_owned();
    reader.get(&format!("{path}?due={axle}")).await.says("As it was found last time").says("alt=\"Photo: spacer.png\"");
    reader.get(&format!("{bike}/job-sheet?due={axle}")).await.says("alt=\"Photo: spacer.png\"");
});

on_both_engines!(a_script_sends_each_photo_at_once, async |server| {
    let reader = Reader::signed_in(&server).await;
    let piece = reader.send_files("/photos", &[], &[("work.r0.photo", "a \"b\".png", PHOTO)]).await;
    assert_eq!(piece.status, 200);
    assert!(kept(&piece, "work.r0.photo").ends_with(" a &#34;b&#34;.png"), "{}", piece.text);
    let refused = reader.send_files("/photos", &[], &[("work.r0.photo", "a.heic", b"\0\0\0\x18ftypheic")]).await;
    refused.says("a.heic was not taken.").hides("kept");
    assert_eq!(Reader::new(&server).send_files("/photos", &[], &[("photo", "a.png", PHOTO)]).await.status, 303, "nobody is signed in");
});

on_both_engines!(nobody_fills_the_disk_with_photos_that_wait, async |server| {
    let reader = Reader::signed_in(&server).await;
    let files: Vec<_> = (0..20).map(|_| ("work.r0.photo", "a.png", PHOTO)).collect();
    for _ in 0..10 {
        assert_eq!(reader.send_files("/photos", &[], &files).await.status, 200);
    }
    reader.send_files("/photos", &[], &files[..1]).await.says("a.png was not taken. 200 photos of yours wait");
    assert_eq!(server.count("/attachments").await, 0);
});

on_both_engines!(the_records_are_searched_on_a_page, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let work = json!([{"component": "brake_pads", "position": "rear", "operation": "replace"}]);
    let event = server.post(&format!("{bike}/service-events"), &json!({"on": "2026-05-01", "summary": "Pads", "work": work})).await.id();
    let reader = Reader::signed_in(&server).await;
    reader.get("/motorcycles").await.says("href=\"/search\"");
    reader.get("/search").await.says("role=\"search\"");
    let asked = "/search?q=When+were+the+rear+pads+last+changed%3F";
    let path = format!("/service-events/{event}");
    reader.get(asked).await.says(&format!("href=\"{path}\">1 May 2026")).says("Pads · ").hides("Struck out");
    reader.get("/search?q=front+pads").await.says("Nothing here holds all of");
    let none = reader.get("/search?q=%3C%3E").await;
    assert_eq!(none.status, 422);
    none.says("Say what to look for").says("value=\"&#60;&#62;\"");
    for path in ["/search?q=a%00b", "/motorcycles?q=a%00b"] {
        assert!(matches!(reader.get(path).await.status, 200 | 422), "{path}: PostgreSQL has no text with this character");
    }
    server.remove(&format!("{path}?reason=wrong")).await;
    reader.get(asked).await.says("Struck out");
});

on_both_engines!(a_refused_photo_costs_neither_a_word_nor_another_photo, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let reader = Reader::signed_in(&server).await;
    let path = format!("{bike}/write-up");
    let key = reader.get(&path).await.key();
    let written = [
        ("on", "2026-06-15"),
        ("photos.r0", "free"),
        ("work.r0", "free"),
        ("work.r0.component", "drive_chain"),
        ("work.r0.operation", "adjust"),
        ("work.r0.note", "Tight at one place"),
        ("notes", "All of this was typed with cold fingers"),
    ];
    let fields: Vec<_> = [("once", key.as_str())].into_iter().chain(written).collect();
    let large = vec![0; 10 * 1024 * 1024 + 1];
    let files: [(&str, &str, &[u8]); 4] = [
        ("work.r0.photo", "tight.png", PHOTO),
        ("photos.r0.photo", "IMG 7.heic", b"\0\0\0\x18ftypheic\0\0\0\0mif1heic"),
        ("photos.r0.photo", "bomb.png", &picture::enormous_png()),
        ("photos.r0.photo", "large.jpg", &large),
    ];
    let refused = reader.send_files(&path, &fields, &files).await;
    assert_eq!(refused.status, 422);
    refused.says("IMG 7.heic was not taken.").says("bomb.png was not taken.").says("large.jpg was not taken. It is over 10 MiB");
    refused.says("All of this was typed with cold fingers").says("Tight at one place").says("href=\"#photos.r0.photo\"");
    assert_eq!(server.count("/attachments").await, 0);
    // The good one waits with the form; a mistake in the text leaves it waiting too, and adding a row does.
    let waits = kept(&refused, "work.r0.photo");
    let key = refused.key();
    let again: Vec<_> = [("once", key.as_str()), ("work.r0.photo.kept", &waits)].into_iter().chain(written).collect();
    let wrong: Vec<_> = again.iter().copied().chain([("odometer", "many")]).collect();
    let wrong = reader.send(&path, &wrong).await;
    assert_eq!((wrong.status, kept(&wrong, "work.r0.photo")), (422, waits.clone()));
    let more: Vec<_> = again.iter().copied().chain([("add", "as_found")]).collect();
    let more = reader.send_files(&path, &more, &[("photos.r0.photo", "b.png", PHOTO)]).await;
    assert_eq!((more.status, kept(&more, "work.r0.photo")), (200, waits.clone()));
    let second = kept(&more, "photos.r0.photo");
    let key = wrong.key();
    let last = again.iter().copied().filter(|pair| pair.0 != "once").chain([("once", key.as_str()), ("photos.r0.photo.kept", &second)]);
    let saved = reader.send(&path, &last.collect::<Vec<_>>()).await;
    assert_eq!(saved.status, 303, "{}", saved.text);
    assert_eq!(lines(&server.all("/attachments").await), [None, Some("/work/0")]);
    let taken_again =
        reader.fill(&path, &[("on", "2026-06-15"), ("notes", "Again"), ("photos.r0", "free"), ("photos.r0.photo.kept", &waits)]).await;
    assert_eq!(taken_again.status, 303);
    assert_eq!(server.count("/attachments").await, 2, "it was taken already");
});

on_both_engines!(parts_and_motorcycles_have_photos_too_and_the_workshop_takes_them_out, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let part = json!({"component": "brake_pads", "position": "rear", "on": "2026-05-01", "odometer": 0});
    let part = format!("/installed-parts/{}", server.post(&format!("{bike}/installed-parts"), &part).await.id());
    let reader = Reader::signed_in(&server).await;
    for page in [&bike, &part] {
        let key = reader.get(page).await.says("capture=\"environment\"").key();
        let files: [(&str, &str, &[u8]); 3] =
            [("photo", "a.png", PHOTO), ("file", "title.pdf", b"%PDF-1.7 words"), ("file", "page.jpg", b"<html></html>")];
        let added = reader.send_files(&format!("{page}/photos"), &[("once", key.as_str())], &files).await;
        assert_eq!((added.status, added.location()), (303, format!("{page}#photos").as_str()), "{}", added.text);
        reader.get(page).await.says("2 files added. page.jpg was not taken.").says("alt=\"Photo: a.png\"").says("title.pdf");
    }
    assert_eq!(server.count("/attachments").await, 4);
    let photo = server.all("/attachments").await[0]["id"].as_str().unwrap().to_owned();
    let out = reader.send("/attachments/hide", &[("hide", &photo), ("back", &bike)]).await;
    assert_eq!((out.status, out.location()), (303, bike.as_str()));
    reader.get(&bike).await.hides("alt=\"Photo: a.png\"").says("title.pdf");
    reader.get(&format!("/attachments/{photo}")).await;
    assert_eq!(reader.get(&format!("/attachments/{photo}")).await.status, 404);
});
