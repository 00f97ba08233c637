//! What a person sends and gets besides work: an old spreadsheet, a calendar's address, a photo from the camera.
use std::io::Write;

use fantoccini::Locator;

use super::{
    browser::Browser,
    picture,
    workshop::{Script, Workshop},
};

/// Puts a file into the field that takes one.
async fn choose(browser: &Browser, css: &str, name: &str, content: &[u8]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join(name);
    std::fs::File::create(&path).and_then(|mut file| file.write_all(content)).expect("the file is written");
    browser.see(css).await.send_keys(path.to_str().expect("a path in UTF-8")).await.expect("the field takes a file");
    folder
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_old_spreadsheet_becomes_history() {
    let workshop = Workshop::open(Script::On).await;
    let bike = workshop.with_old_oil().await;
    let browser = Browser::start(360).await;
    browser.sign_in(&workshop.site, &workshop.email, &workshop.password).await;
    browser.page.goto(&format!("{}/imports", workshop.site)).await.expect("the page");
    let sheet = "date,miles,what I did\n5/2/2024,400,Changed the oil\n6/9/2024,900,Greased the chain\n";
    let _folder = choose(&browser, "input[name=file]", "old.csv", sheet.as_bytes()).await;
    browser.press("main button.main").await;
    browser.see("select[name='column.0']").await;
    browser
        .page
        .find(Locator::Css("select[name=motorcycle]"))
        .await
        .expect("a choice")
        .select_by_value(&bike)
        .await
        .expect("the motorcycle");

    // The order of day and month is asked where it is not known.
    browser.press("button[name=do]").await;
    browser.see("[role=status]").await;
    let tried = browser.text().await;
    assert!(tried.contains("nothing is stored") && tried.contains("2 rows cannot be"), "{tried}");
    browser.page.find(Locator::Css("select[name=date_order]")).await.expect("a choice").select_by_value("mdy").await.expect("the order");
    browser.press("input[name=propose]").await;
    browser.press("button[name=do]").await;
    browser.see("button[value=import]").await;
    assert!(browser.text().await.contains("2 rows would be new"), "{}", browser.text().await);
    browser.press("button[value=import]").await;
    browser.see("a[href^='/motorcycles/']").await;
    let events = workshop.get(&format!("/motorcycles/{bike}/service-events")).await;
    let summaries: Vec<_> = events["items"].as_array().into_iter().flatten().map(|event| event["summary"].to_string()).collect();
    assert!(summaries.iter().any(|text| text.contains("Changed the oil")), "{summaries:?}");
    // Chromium names every answer of 422; nothing else may be wrong.
    let complaints: Vec<_> = browser.complaints().await.into_iter().filter(|complaint| !complaint.contains("422")).collect();
    assert_eq!(complaints, Vec::<String>::new());
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_long_import_says_how_far_it_has_come() {
    let workshop = Workshop::open(Script::On).await;
    let browser = Browser::start(360).await;
    browser.sign_in(&workshop.site, &workshop.email, &workshop.password).await;
    browser.page.goto(&format!("{}/imports", workshop.site)).await.expect("the page");
    browser.press("input[name=kind][value=motorcycles]").await;
    let rows = (0..3000).map(|nth| format!("Hire {nth},Halden,chain,mi"));
    let sheet = std::iter::once("name,make,final_drive,odometer_unit".to_owned()).chain(rows).collect::<Vec<_>>().join("\n");
    let _folder = choose(&browser, "input[name=file]", "fleet.csv", sheet.as_bytes()).await;
    browser.press("main button.main").await;
    browser.see("select[name='column.0']").await;
    // The driver looks at no page that is about to be left, so the answer goes into a window of its own.
    browser.page.execute("document.querySelector('form[data-progress]').target = '_blank'", vec![]).await.expect("a target");
    browser.press("button[name=do]").await;
    let said = browser.see("[data-said]:not([hidden])").await.text().await.expect("a sentence");
    assert!(said.contains("of 3,000 rows"), "{said}");
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_calendars_address_works_until_it_is_revoked() {
    let workshop = Workshop::open(Script::On).await;
    let bike = workshop.with_old_oil().await;
    let browser = Browser::start(360).await;
    browser.sign_in(&workshop.site, &workshop.email, &workshop.password).await;
    browser.page.goto(&format!("{}/calendars?motorcycle={bike}", workshop.site)).await.expect("the page");
    browser.press("main button.main").await;
    let address = browser.see(".secret").await.text().await.expect("an address");
    let read = async || {
        // Where the public address is not known, the page gives the path alone.
        let url = if address.starts_with('/') { format!("{}{address}", workshop.site) } else { address.clone() };
        let answer = reqwest::get(url).await.expect("an answer");
        (answer.status().as_u16(), answer.text().await.expect("text"))
    };
    let (status, calendar) = read().await;
    assert!(status == 200 && calendar.starts_with("BEGIN:VCALENDAR") && calendar.contains("Mule oil"), "{status} {calendar}");
    browser.page.goto(&format!("{}/calendars", workshop.site)).await.expect("the page");
    assert!(!browser.text().await.contains(&address), "it is shown once");
    browser.press(&format!("form[action='{}'] button", revoked_by(&browser, "Mule").await)).await;
    browser.see("[role=status]").await;
    assert_eq!(read().await.0, 404);
    browser.close().await;
}
/// Where the form goes that revokes the address for something.
async fn revoked_by(browser: &Browser, about: &str) -> String {
    for row in browser.page.find_all(Locator::Css("main li")).await.expect("rows") {
        if row.text().await.expect("a row").contains(about) {
            let form = row.find(Locator::Css("form")).await.expect("a form");
            return form.attr("action").await.expect("an attribute").expect("where it goes");
        }
    }
    panic!("nothing about {about}")
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_photo_from_the_camera_hangs_on_the_work_that_it_shows() {
    let workshop = Workshop::open(Script::On).await;
    let bike = workshop.with_old_oil().await;
    let browser = Browser::start(360).await;
    browser.sign_in(&workshop.site, &workshop.email, &workshop.password).await;
    browser.page.goto(&format!("{}/motorcycles/{bike}/write-up", workshop.site)).await.expect("the page");
    let oil = workshop.get(&format!("/motorcycles/{bike}/due")).await;
    let oil = oil["items"].as_array().into_iter().flatten().find(|item| item["rule"]["name"] == "Mule oil").expect("its rule").clone();
    browser.press(&format!("input[name=due][value='{}']", oil["id"].as_str().expect("an id"))).await;
    browser.type_into("input[name=odometer]", "7100").await;
    browser.page.execute("document.querySelectorAll('details').forEach((part) => part.open = true)", vec![]).await.expect("all is open");
    let camera = "input[type=file][name='photos.r0.photo']";
    let field = browser.see(camera).await;
    assert_eq!(field.attr("capture").await.expect("an attribute").as_deref(), Some("environment"), "a phone opens its camera");
    let _folder = choose(&browser, camera, "drain plug.jpg", &picture::jpeg(640, 480, 6)).await;
    // It is sent at once, so that a lost signal costs no more than this one.
    browser.see("input[name='photos.r0.photo.kept']").await;
    browser.press(".save button.main").await;
    browser.see("header nav").await;
    let sent = async || workshop.get(&format!("/motorcycles/{bike}/service-events")).await["items"].as_array().map(Vec::len);
    for _ in 0..50 {
        if sent().await == Some(2) {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    }
    let events = workshop.get(&format!("/motorcycles/{bike}/service-events")).await;
    let event = events["items"][0]["id"].as_str().expect("an id").to_owned();
    browser.page.goto(&format!("{}/service-events/{event}", workshop.site)).await.expect("its page");
    let small = browser.see("ul.photos img").await;
    assert_eq!(small.attr("alt").await.expect("an attribute").as_deref(), Some("Photo: drain plug.jpg"));
    // Taken on its side, it stands upright: higher than wide.
    let size = "const it = document.querySelector('ul.photos img'); return [it.complete, it.naturalWidth, it.naturalHeight]";
    let size = browser.page.execute(size, vec![]).await.expect("its size");
    assert!(size[0] == true && size[1].as_u64() > Some(0) && size[1].as_u64() < size[2].as_u64(), "{size}");
    assert_eq!(browser.complaints().await, Vec::<String>::new());
    browser.close().await;
}
