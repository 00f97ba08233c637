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

/// What was typed and not saved is back when the page is opened again, also in fields that the page alone would not have.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_adapter_that_was_typed_comes_back_with_the_draft() {
    let workshop = Workshop::open(Script::On).await;
    let bike = workshop.with_old_oil().await;
    let browser = Browser::start(360).await;
    browser.sign_in(&workshop.site, &workshop.email, &workshop.password).await;
    let page = format!("{}/motorcycles/{bike}/write-up", workshop.site);
    browser.page.goto(&page).await.expect("the page");
    browser.see("#pick_fastener option[value='oil_drain_plug']").await.click().await.expect("it can be chosen");
    browser.press("button[name=add][value=fastener]").await;
    let of = |field: &str| format!("#values [name='tightened.f-oil_drain_plug.{field}']");
    browser.see("fieldset[id='tightened.f-oil_drain_plug'][autofocus]").await;
    browser.press("button[value='tightened.f-oil_drain_plug.more']").await;
    // The adapter's field comes with the next page, so it is waited for first.
    for (field, typed) in [("adapter", "60"), ("wrench", "240"), ("stages.0", "24")] {
        browser.type_into(&of(field), typed).await;
    }
    // 24 N.m × (240 + 60) ÷ 240 = 30 N.m, of 28 to 32.
    let verdict = format!("[data-limits]:has({}) .verdict", of("stages.0").replace("#values ", ""));
    assert_eq!(browser.see(&verdict).await.text().await.expect("a verdict"), "within");
    tokio::time::sleep(std::time::Duration::from_secs(1)).await;
    browser.page.goto(&format!("{}/motorcycles", workshop.site)).await.expect("another page");
    // Opened for the oil it has the plug's fields, without those of an adapter.
    let due = workshop.get(&format!("/motorcycles/{bike}/due")).await;
    let oil = due["items"].as_array().into_iter().flatten().find(|item| item["rule"]["name"] == "Mule oil").expect("its rule");
    let oil = oil["id"].as_str().expect("an id");
    browser.page.goto(&format!("{page}?due={oil}")).await.expect("the page once more");
    // Here too: once the adapter's field is there, the fields that the page came with have been replaced.
    for (field, typed) in [("adapter", "60"), ("wrench", "240"), ("stages.0", "24")] {
        let back = browser.see(&of(field)).await;
        assert_eq!(back.prop("value").await.expect("a value").as_deref(), Some(typed), "{field}");
        assert!(back.is_displayed().await.expect("it shows or not"), "{field} is out of sight");
    }
    browser.close().await;
}
