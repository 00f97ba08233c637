//! Work is written up from what is due, with one thumb: the list changes, and its reason holds.
use super::{
    browser::Browser,
    workshop::{Script, Workshop},
};

async fn written_up(script: Script) {
    let workshop = Workshop::open(script).await;
    let bike = workshop.with_old_oil().await;
    let browser = Browser::start(360).await;
    browser.sign_in(&workshop.site, &workshop.email, &workshop.password).await;
    let page = format!("{}/motorcycles/{bike}", workshop.site);
    browser.page.goto(&page).await.expect("the motorcycle's page");
    // The demo's rules hold for this motorcycle too; this is about the one that was written for it.
    let due = workshop.get(&format!("/motorcycles/{bike}/due")).await;
    let oil = due["items"].as_array().into_iter().flatten().find(|item| item["rule"]["name"] == "Mule oil").expect("its rule");
    let oil = oil["id"].as_str().expect("an id").to_owned();
    let row = format!("li[id='{oil}']");
    let before = browser.see(&row).await.text().await.expect("a row");
    assert!(before.contains("Mule oil, replace") && before.contains("Overdue"), "{before}");

    // A figure below the last reading is refused; what was ticked stays ticked, and the message names the reading.
    browser.press("a.button.main[href$='/write-up']").await;
    let tick = format!("input[name=due][value='{oil}']");
    browser.press(&tick).await;
    browser.type_into("input[name=odometer]", "6900").await;
    browser.press(".save button.main").await;
    browser.see("[role=alert]").await;
    let refused = browser.text().await;
    assert!(refused.contains("7,000 mi"), "{refused}");
    assert!(browser.see(&tick).await.is_selected().await.expect("a box"), "the tick was lost");

    browser.type_into("input[name=odometer]", "7100").await;
    browser.press(".save button.main").await;
    browser.see("h1").await;
    browser.page.goto(&page).await.expect("the motorcycle's page");
    let after = browser.text().await;
    assert!(after.contains("7,100 mi"), "{after}");
    let row = browser.see(&row).await.text().await.expect("a row");
    assert!(row.contains("Later"), "{row}");

    // The reason redone by hand: 7,100 + 5,000 = 12,100.
    let due = workshop.get(&format!("/motorcycles/{bike}/due")).await;
    let item = due["items"].as_array().into_iter().flatten().find(|item| item["id"] == *oil).expect("the same item");
    assert_eq!(item["due_at"]["odometer"]["value"].as_f64(), Some(12_100.0));
    let because = item["because"].to_string();
    assert!(because.contains("7,100 + 5,000 = 12,100 mi"), "{because}");
    let events = workshop.get(&format!("/motorcycles/{bike}/service-events")).await;
    assert_eq!(events["items"].as_array().map(Vec::len), Some(2), "saved once");
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn work_is_written_up_from_a_ticked_item() {
    written_up(Script::On).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn work_is_written_up_without_script() {
    written_up(Script::Off).await;
}
