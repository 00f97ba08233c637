//! An owner is invited, comes in on a phone, and sees her own motorcycle alone.
use serde_json::json;

use super::{
    browser::Browser,
    workshop::{Script, Workshop},
};

async fn invited(script: Script) {
    let workshop = Workshop::open(script).await;
    let owner = workshop.post("/owners", json!({"name": "Lea Fenn"})).await;
    let bike = |name: &str, owner: serde_json::Value| json!({"name": name, "make": "Halden", "final_drive": "shaft", "odometer_unit": "mi", "owner_id": owner});
    let own = workshop.post("/motorcycles", bike("Leas Mule", json!(owner))).await;
    let other = workshop.post("/motorcycles", bike("Other Mule", serde_json::Value::Null)).await;

    let manager = Browser::start(1280).await;
    manager.sign_in(&workshop.site, &workshop.email, &workshop.password).await;
    manager.page.goto(&format!("{}/people", workshop.site)).await.expect("the people");
    manager.type_into("input[name=email]", "lea@example.org").await;
    manager.type_into("input[name=name]", "Lea Fenn").await;
    manager.press("input[name=roles][value=mechanic]").await;
    manager.press("input[name=roles][value=owner]").await;
    manager.see("select[name=owner_id]").await.select_by_value(&owner).await.expect("the owner is on offer");
    manager.press("form[action='/people'] button.main").await;
    let link = manager.see(".secret").await.text().await.expect("the link");
    manager.close().await;

    let phone = Browser::start(360).await;
    phone.page.goto(&format!("{}{link}", workshop.site)).await.expect("the invitation");
    assert!(phone.text().await.contains("as owner"));
    phone.type_into("input[name=password]", "kettle moss crane").await;
    phone.press("form[action^='/welcome/'] button.main").await;
    phone.see("nav[aria-label=Main]").await;
    phone.page.goto(&format!("{}/motorcycles", workshop.site)).await.expect("her motorcycles");
    let seen = phone.text().await;
    assert!(seen.contains("Leas Mule") && !seen.contains("Other Mule"), "{seen}");
    phone.page.goto(&format!("{}/motorcycles/{own}", workshop.site)).await.expect("her motorcycle");
    assert!(phone.text().await.contains("Leas Mule"));
    // Another's address by hand leads nowhere.
    phone.page.goto(&format!("{}/motorcycles/{other}", workshop.site)).await.expect("a page");
    let refused = phone.text().await;
    assert!(refused.contains("There is nothing here") && !refused.contains("Other Mule"), "{refused}");
    // The link is used up.
    phone.page.goto(&format!("{}{link}", workshop.site)).await.expect("a page");
    assert!(phone.text().await.contains("This invitation does not work"));
    phone.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_owner_comes_in_on_a_phone() {
    invited(Script::On).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_owner_comes_in_without_script() {
    invited(Script::Off).await;
}
