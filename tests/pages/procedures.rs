//! Procedures on the pages: written line by line, attached to what they take, ticked off on the job sheet and in the write-up.
use serde_json::{Value, json};

use crate::{
    harness::{Server, on_both_engines},
    reader::Reader,
    roles::somebody,
};

const WHEEL: [(&str, &str); 7] = [
    ("applies_to.make", "Halden"),
    ("title", "Refit the rear wheel"),
    ("component", "wheel"),
    ("position", "rear"),
    ("operation", "fit"),
    ("applies_when", "Wheel out, on a stand"),
    ("source", "Own practice"),
];
const LINES: &str = "Clean the axle\r\n\r\nTighten the nut\r\nPump the brake";

fn fields<'f>(more: &[(&'f str, &'f str)]) -> Vec<(&'f str, &'f str)> {
    WHEEL.iter().chain(more).copied().collect()
}
async fn nut(server: &Server) {
    let nut = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "position": "rear",
        "stages": [{"lower": 105, "upper": 115, "unit": "N.m"}]});
    server.post("/fasteners", &nut).await.created();
}
async fn written(server: &Server) -> String {
    nut(server).await;
    let new = json!({"title": "Refit the rear wheel", "component": "wheel", "position": "rear", "operation": "fit",
        "applies_when": "Wheel out, on a stand", "steps": [{"text": "Clean the axle"}, {"text": "Tighten the nut", "fastener": "rear_axle_nut"},
            {"text": "Pump the brake", "caution": "The first press does nothing"}]});
    server.post("/procedures", &new).await.id()
}
/// A motorcycle whose rear tire is due; with the id of that.
async fn with_a_tire_due(server: &Server) -> (String, String) {
    let bike = server.motorcycle(json!({})).await;
    let rule = json!({"name": "Rear tire", "component": "tire", "position": "rear", "operation": "replace", "every": {"months": 1}});
    server.post("/interval-rules", &rule).await.created();
    server.reading(&bike, "2026-01-02", 1000).await.created();
    let due = server.get(&format!("{bike}/due")).await.items();
    (bike, due[0]["id"].as_str().unwrap().to_owned())
}

on_both_engines!(steps_are_typed_line_by_line_and_get_their_torque_limit_and_caution, async |server| {
    nut(&server).await;
    let other = json!({"key": "rear_axle_nut", "name": "Rear axle nut", "component": "axle", "position": "rear",
        "stages": [{"lower": 90, "upper": 95, "unit": "N.m"}], "applies_to": {"make": "Corvane"}});
    server.post("/fasteners", &other).await.created();
    let limit = json!({"component": "drive_belt", "quantity": "deflection", "lower": 8, "upper": 10, "unit": "mm", "kind": "adjust"});
    server.post("/limits", &limit).await.created();
    let reader = Reader::signed_in(&server).await;
    let page = reader.fill("/procedures/new", &fields(&[("more_steps", LINES), ("add", "rows")])).await;
    assert_eq!(page.status, 200);
    page.says("<legend>Step 3</legend>").says("Drive belt: deflection</option>").says("Rear axle nut</option>").hides("Step 4</legend>");
    assert_eq!((page.value("steps.1.text"), page.value("title")), ("Tighten the nut".into(), "Refit the rear wheel".into()));
    assert_eq!(server.count("/procedures").await, 0, "nothing is saved yet");
    let rows = [
        ("steps.0.text", "Clean the axle"),
        ("steps.0.number", "1"),
        ("steps.1.text", "Tighten the nut"),
        ("steps.1.number", "2"),
        ("steps.1.fastener", "rear_axle_nut"),
        ("steps.2.text", "Pump the brake"),
        ("steps.2.number", "3"),
        ("steps.2.caution", "The first press does nothing"),
        ("more_steps", "Check the belt"),
    ];
    let page = reader.fill("/procedures/new", &fields(&rows)).await;
    assert_eq!(page.status, 303, "{}", page.text);
    let path = page.location().to_owned();
    let shown = reader.get(&path).await;
    shown.says("Refit the rear wheel is written down").says("Rear axle nut: 105 to 115 N.m (all motorcycles)");
    shown.hides("90 to 95 N.m");
    shown.says("<strong>Mind:</strong> The first press does nothing").says("A jack lifts, a stand holds").says("service manual");
    reader.get("/procedures").await.says("4 steps, version 1").says(&format!("href=\"{path}\""));

    // The last step goes between the first two, gets its limit, and the nut comes out.
    let edit = format!("{path}/edit");
    let form = reader.get(&edit).await;
    assert_eq!((form.value("steps.3.text"), form.value("steps.3.number")), ("Check the belt".into(), "4".into()));
    let seen = form.value("seen");
    let moved = [
        ("seen", seen.as_str()),
        ("steps.0.text", "Clean the axle"),
        ("steps.0.number", "1"),
        ("steps.1.text", ""),
        ("steps.2.text", "Pump the brake"),
        ("steps.2.number", "3"),
        ("steps.2.caution", "The first press does nothing"),
        ("steps.3.text", "Check the belt"),
        ("steps.3.number", "1.5"),
        ("steps.3.limit", "drive_belt||deflection"),
    ];
    let page = reader.fill(&edit, &fields(&moved)).await;
    assert_eq!((page.status, page.location()), (303, path.as_str()), "{}", page.text);
    let shown = reader.get(&path).await;
    shown.says("This is version 2 now").says("Drive belt: deflection: 8 to 10 mm (adjust, all motorcycles)").hides("Tighten the nut");
    let now = server.get(&path).await.ok();
    let texts: Vec<_> = now["steps"].as_array().unwrap().iter().map(|step| step["text"].as_str().unwrap()).collect();
    assert_eq!(texts, ["Clean the axle", "Check the belt", "Pump the brake"]);
    assert_eq!(now["steps"][2]["caution"], "The first press does nothing");
    reader.get(&format!("{path}?version=1")).await.says("A newer version holds").says("Tighten the nut").hides("Change it");
    assert_eq!(reader.get(&format!("{path}?version=3")).await.status, 404);

    // What is wrong stands at its row, and nothing that was typed is lost.
    let wrong = [("steps.0.text", "Turn"), ("steps.0.number", "first"), ("more_steps", "And back")];
    let page = reader.fill(&edit, &fields(&wrong)).await;
    assert_eq!(page.status, 422);
    page.says("id=\"steps.0.number-wrong\"").says("And back");
    let page = reader.fill("/procedures/new", &fields(&[("more_steps", " ")])).await;
    assert_eq!(page.status, 422);
    page.says("Write at least one step");

    let page = reader.send(&format!("{path}/delete"), &[]).await;
    assert_eq!((page.status, page.location()), (303, "/procedures"));
    reader.get("/procedures").await.says("There are no procedures yet");
    assert_eq!(reader.get(&path).await.status, 404);
    reader.get(&format!("{path}?version=1")).await.says("This procedure was withdrawn").says("Tighten the nut");
});

on_both_engines!(a_job_sheet_is_ticked_off_step_by_step_and_becomes_the_event, async |server| {
    let id = written(&server).await;
    let (bike, due) = with_a_tire_due(&server).await;
    let reader = Reader::signed_in(&server).await;
    let sheet = reader.get(&format!("{bike}/job-sheet")).await;
    let step = format!("{id}:1:1");
    sheet.says("Refit the rear wheel</h2>").says("Begins with: Wheel out, on a stand. Version 1.").says(&format!("value=\"{step}\""));
    sheet.says("2. Tighten the nut").says("Rear axle nut: 105 to 115 N.m").says("Mind: The first press does nothing");

    let form = reader.get(&format!("{bike}/write-up?due={due}&step={step}")).await;
    let row = format!("procedures.p-{}", &id[id.len() - 8..]);
    form.says(&format!("name=\"{row}.done\" value=\"1\" checked")).hides(&format!("name=\"{row}.done\" value=\"2\" checked"));
    assert_eq!(form.value(&row), format!("{id} 1"));
    // Somebody writes a new version meanwhile: what was ticked means the steps that lay on the bench.
    server.change(&format!("/procedures/{id}"), &json!({"steps": [{"text": "All new"}]})).await.ok();
    let (marker, done, why) = (format!("{id} 1"), format!("{row}.done"), format!("{row}.why.2"));
    let event = |why_text: &'static str| {
        let fields: Vec<(String, String)> = vec![
            ("on".into(), "2026-05-02".into()),
            ("due".into(), due.clone()),
            (row.clone(), marker.clone()),
            (done.clone(), "1".into()),
            (done.clone(), "3".into()),
            (why.clone(), why_text.into()),
        ];
        fields
    };
    let send = async |fields: Vec<(String, String)>| {
        let fields: Vec<_> = fields.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
        reader.fill(&format!("{bike}/write-up"), &fields).await
    };
    // A step cannot be both: the reason has its place, and the old steps still stand there.
    let mut both = event("No wrench");
    both.push((done.clone(), "2".into()));
    let page = send(both).await;
    assert_eq!(page.status, 422);
    page.says(&format!("id=\"{why}-wrong\"")).says("Step 2 is named twice").says("3. Pump the brake");
    let page = send(event("No wrench")).await;
    assert_eq!(page.status, 303, "{}", page.text);
    let path = page.location().to_owned();
    let shown = reader.get(&path).await;
    shown.says(&format!("href=\"/procedures/{id}?version=1\"")).says("Refit the rear wheel, version 1");
    shown.says("1 of 3 steps was not done, or nobody said so.").says("Tighten the nut: <strong>left out: No wrench</strong>");
    shown.says("Pump the brake: done");
    let event = server.get(&path).await.ok();
    let told: Vec<_> = event["procedures"][0]["steps"].as_array().unwrap().iter().map(|step| &step["done"]).collect();
    assert_eq!(told, [&json!(true), &json!(false), &json!(true)]);
    reader.get(&bike).await.says("Refit the rear wheel followed");
});

on_both_engines!(other_work_can_follow_one_and_nothing_ticked_is_nothing_followed, async |server| {
    let id = written(&server).await;
    let bike = server.motorcycle(json!({})).await;
    let reader = Reader::signed_in(&server).await;
    let write_up = format!("{bike}/write-up");
    reader.get(&write_up).await.says("Another procedure followed").hides("Clean the axle");
    let marker = format!("{id} 1");
    let page = reader.fill(&write_up, &[("on", "2026-05-02"), ("pick_procedure", &marker), ("add", "procedure")]).await;
    assert_eq!(page.status, 200);
    page.says("1. Clean the axle").says("Rear axle nut: 105 to 115 N.m");
    let row = format!("procedures.p-{}", &id[id.len() - 8..]);
    let page = reader.fill(&write_up, &[("on", "2026-05-02"), ("notes", "Looked at it"), (&row, &marker)]).await;
    assert_eq!(page.status, 303, "{}", page.text);
    assert_eq!(server.get(page.location()).await.ok()["procedures"], json!([]));
});

on_both_engines!(a_mechanic_reads_and_an_owner_sees_what_was_followed_alone, async |server| {
    let id = written(&server).await;
    let ada = server.post("/owners", &json!({"name": "Ada Birch"})).await.id();
    let (bike, _) = with_a_tire_due(&server).await;
    server.change(&bike, &json!({"owner_id": ada})).await.ok();
    let followed = json!([{"id": id, "version": 1, "steps_done": [1, 2, 3]}]);
    let event = json!({"on": "2026-01-20", "work": [{"component": "wheel", "operation": "fit"}], "procedures": followed});
    let event: Value = server.post(&format!("{bike}/service-events"), &event).await.created();
    let event = format!("/service-events/{}", event["id"].as_str().unwrap());

    let mechanic = somebody(&server, "mechanic", None).await;
    mechanic.get("/rules").await.says("href=\"/procedures\"");
    mechanic.get("/procedures").await.says("Refit the rear wheel").hides("/procedures/new");
    let shown = mechanic.get(&format!("/procedures/{id}")).await;
    shown.says("Tighten the nut").hides("/edit\"");
    assert_eq!(mechanic.get(&format!("/procedures/{id}/edit")).await.status, 403);
    assert_eq!(mechanic.get("/procedures/new").await.status, 403);

    let owner = somebody(&server, "owner", Some(&ada)).await;
    owner.get(&event).await.says("All 3 steps done.").says("Tighten the nut: done").hides("href=\"/procedures");
    owner.get(&format!("{bike}/job-sheet")).await.hides("Refit the rear wheel");
    owner.get(&format!("{bike}/write-up?step={id}:1:1")).await.hides("Refit the rear wheel").hides("Clean the axle");
    for path in ["/procedures".to_owned(), format!("/procedures/{id}")] {
        assert_eq!(owner.get(&path).await.status, 403, "{path}");
    }
});
