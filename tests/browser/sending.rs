//! What a person sends and gets besides work: an old spreadsheet, a calendar's address, a photo from the camera.
use std::io::Write;

use fantoccini::Locator;

use super::{
    browser::Browser,
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
    let rows: String = (0..3000).map(|nth| format!("Hire {nth},Halden,chain,mi\n")).collect();
    let sheet = format!("name,make,final_drive,odometer_unit\n{rows}");
    let _folder = choose(&browser, "input[name=file]", "fleet.csv", sheet.as_bytes()).await;
    browser.press("main button.main").await;
    browser.see("select[name='column.0']").await;
    // The driver looks at no page that is about to be left, so the answer goes into a window of its own.
    browser.page.execute("document.querySelector('form[data-progress]').target = '_blank'", vec![]).await.expect("a target");
    browser.press("button[name=do]").await;
    let said = browser.see("[data-said]:not([hidden])").await.text().await.expect("a sentence");
    assert!(said.contains("of 3000 rows"), "{said}");
    browser.close().await;
}
