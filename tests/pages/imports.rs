//! Bringing in a file: an old spreadsheet becomes history, what its words may mean is confirmed, and nothing is stored before that is said.
use serde_json::json;

use crate::{harness::on_both_engines, reader::Reader};

const OLD: &[u8] = include_bytes!("../../demo/old-record.csv");

on_both_engines!(an_old_spreadsheet_becomes_history, async |server| {
    let bike = server.motorcycle(json!({"in_service_on": "2018-04-01"})).await;
    let reader = Reader::signed_in(&server).await;
    reader.get("/imports").await.says("Bring in a file").says("enctype=\"multipart/form-data\"");
    let sent = reader.upload("/imports", &[("kind", "service_events")], "old record.csv", OLD).await;
    assert_eq!(sent.status, 303, "{}", sent.text);
    let at = sent.location().to_owned();
    let page = reader.get(&at).await;
    page.says("Bring in old record.csv").says("8120 · 9415 · 10980");
    for (field, column) in [("column.0", "on"), ("column.1", "odometer"), ("column.2", "summary"), ("column.3", "cost")] {
        let select = page.text.split_once(&format!("<select id=\"{field}\"")).unwrap().1.split("</select>").next().unwrap();
        assert!(select.contains(&format!("value=\"{column}\" selected")), "{field}: {select}");
    }
    page.says("Engine oil: replace").says("3 rows, such as: Oil and filter changed, chain adjusted").says("Tire, rear: replace");
    assert!(page.text.len() < 60_000);

    let id = bike.rsplit('/').next().unwrap();
    let mut fields = vec![
        ("do", "try"),
        ("column.0", "on"),
        ("column.1", "odometer"),
        ("column.2", "summary"),
        ("column.3", "cost"),
        ("motorcycle", id),
        ("unit", ""),
    ];
    // The order of the dates is asked for, not guessed.
    let tried = reader.fill(&at, &fields).await;
    assert_eq!(tried.status, 422);
    tried.says("8 rows cannot be").says("date_order=dmy").says("Row 2");
    fields.extend([
        ("date_order", "dmy"),
        ("propose", "engine_oil||replace"),
        ("propose", "oil_filter||replace"),
        ("propose", "tire|rear|replace"),
    ]);
    let tried = reader.fill(&at, &fields).await;
    assert_eq!(tried.status, 200, "{}", tried.text);
    tried
        .says("8 rows would be new, 0 rows there already")
        .says("value=\"engine_oil||replace\" checked")
        .hides("value=\"drive_chain||adjust\" checked");
    assert_eq!(server.count(&format!("{bike}/service-events")).await, 0, "it was only tried");

    fields[0] = ("do", "import");
    let key = tried.key();
    let all: Vec<_> = [("once", key.as_str())].into_iter().chain(fields.iter().copied()).collect();
    let done = reader.send(&at, &all).await;
    assert_eq!((done.status, done.location()), (303, "/motorcycles"), "{}", done.text);
    // A second tap leads to the same place and stores nothing more.
    assert_eq!(reader.send(&at, &all).await.status, 303);
    let events = server.all(&format!("{bike}/service-events")).await;
    assert_eq!(events.len(), 8);
    assert_eq!(events[7]["summary"], "Oil and filter changed, chain adjusted");
    assert_eq!(
        (&events[7]["on"], &events[7]["odometer"], &events[7]["cost"]["amount"]),
        (&json!("2019-03-12"), &json!(8120), &json!("46.20"))
    );
    let lines: Vec<_> = events[7]["work"].as_array().unwrap().iter().map(|line| line["component"].as_str().unwrap()).collect();
    assert_eq!(lines, ["engine_oil", "oil_filter"], "what was not ticked is not taken for granted");
    // Three filters one after the other, and one tire.
    let parts =
        (server.count(&format!("{bike}/installed-parts")).await, server.count(&format!("{bike}/installed-parts?removed=true")).await);
    assert_eq!(parts, (2, 2));
    assert_eq!(reader.get(&at).await.status, 404, "the file is gone");
});

on_both_engines!(two_columns_of_one_name_stay_apart, async |server| {
    let bike = server.motorcycle(json!({"in_service_on": "2018-04-01"})).await;
    let reader = Reader::signed_in(&server).await;
    let sheet = b"on,notes,,notes,\n2026-05-02,Chain lubricated,x,ask about the horn,y\n";
    let at = reader.upload("/imports", &[("kind", "service_events")], "old.csv", sheet).await.location().to_owned();
    let id = bike.rsplit('/').next().unwrap();
    let fields = [
        ("column.0", "on"),
        ("column.1", "summary"),
        ("column.2", ""),
        ("column.3", ""),
        ("column.4", ""),
        ("motorcycle", id),
        ("date_order", ""),
        ("unit", ""),
    ];
    let fields: Vec<_> = fields.into_iter().chain([("do", "import")]).collect();
    let stored = reader.fill(&at, &fields).await;
    assert_eq!(stored.status, 303, "{}", stored.text);
    let event = server.all(&format!("{bike}/service-events")).await.remove(0);
    assert_eq!(event["summary"], "Chain lubricated");
});

on_both_engines!(what_cannot_be_read_is_said_at_once, async |server| {
    let reader = Reader::signed_in(&server).await;
    for (kind, content, said) in [
        ("service_events", &b"a,b\n\xe4,1\n"[..], "not UTF-8"),
        ("service_events", b"", "Choose a file"),
        ("odometer_readings", b"a,\"b\n", "never closed"),
        ("spares", b"a,b\n", "Choose one of those on offer"),
    ] {
        let page = reader.upload("/imports", &[("kind", kind)], "a.csv", content).await;
        assert_eq!(page.status, 422);
        page.says(said);
    }
    let sent = reader.upload("/imports", &[("kind", "motorcycles")], "a.csv", b"name,final_drive,odometer_unit\nGull,belt,km\n").await;
    let at = sent.location().to_owned();
    let twice = reader.fill(&at, &[("do", "import"), ("column.0", "name"), ("column.1", "name"), ("column.2", "odometer_unit")]).await;
    assert_eq!(twice.status, 422);
    twice.says("Another column is this already");
    let other = Reader::new(&server);
    assert_eq!(other.get(&at).await.status, 303, "signed in first");
    assert_eq!(server.count("/motorcycles").await, 0);
});

on_both_engines!(a_workshop_goes_out_and_comes_in, async |server| {
    server.motorcycle(json!({})).await;
    let reader = Reader::signed_in(&server).await;
    let file = reader.get("/imports/export").await;
    assert_eq!(file.header("content-type"), "application/x-ndjson");
    let sent = reader.upload("/imports", &[("kind", "export")], "all.ndjson", file.text.as_bytes()).await;
    let tried = reader.fill(sent.location(), &[("do", "try")]).await;
    assert_eq!(tried.status, 200, "{}", tried.text);
    tried.says("0 rows would be new, 2 rows there already");
});

on_both_engines!(a_packet_comes_in_from_another_workshop, async |server| {
    let other = server.other_workshop();
    let bike = other.motorcycle(json!({"name": "Ferry <2>"})).await;
    other.reading(&bike, "2026-05-02", 12345).await.created();
    let event = json!({"on": "2026-05-20", "odometer": 12800, "summary": "Pads, rear", "performed_by": "R. Moss",
        "fitted": [{"component": "brake_pads", "position": "rear", "description": "Sintered"}]});
    other.post(&format!("{bike}/service-events"), &event).await.created();
    let theirs = Reader::signed_in_as(&server, "second@example.org", crate::harness::database::PASSWORD).await;
    theirs.get(&bike).await.says(&format!("href=\"{bike}/packet.json\""));
    let file = theirs.get(&format!("{bike}/packet.json")).await;
    assert_eq!(file.headers["content-type"].to_str().unwrap(), "application/json");

    let reader = Reader::signed_in(&server).await;
    let tampered = file.text.replace("R. Moss", "R. Most");
    let refused = reader.upload("/imports", &[("kind", "packet")], "history.json", tampered.as_bytes()).await;
    assert_eq!(refused.status, 422);
    refused.says("Entry 2 of 20 May 2026 was changed.").says("Ask Hill Street Garage for it again.");
    let sent = reader.upload("/imports", &[("kind", "packet")], "history.json", file.text.as_bytes()).await;
    let at = sent.location().to_owned();
    reader.get(&at).await.says("Ferry &#60;2&#62;: 2 entries as Hill Street Garage made them");
    let tried = reader.fill(&at, &[("do", "try")]).await;
    assert_eq!(tried.status, 200, "{}", tried.text);
    tried.says("3 rows would be new").says("A packet does not hold the owner, prices");
    assert_eq!(server.count("/motorcycles").await, 0, "it was only tried");
    let done = reader.send(&at, &[("do", "import"), ("once", &tried.key())]).await;
    assert_eq!(done.status, 303, "{}", done.text);
    let own = done.location().to_owned();
    assert!(own.starts_with("/motorcycles/"), "{own}");
    // The same history stands on both pages, apart from where its links lead.
    let history = |page: &str| {
        let text = page.split_once("id=\"history\"").unwrap().1.split("</table>").next().unwrap().to_owned();
        text.split("href=\"").map(|piece| piece.split_once("\">").map_or(piece, |(_, rest)| rest).to_owned()).collect::<Vec<_>>()
    };
    let (ours, theirs) = (reader.get(&own).await, theirs.get(&bike).await);
    assert_eq!(history(&ours.text), history(&theirs.text));
    assert!(history(&ours.text).concat().contains("Pads, rear"));
    ours.says("with a history packet of Hill Street Garage").says("Sintered");
    assert_eq!(reader.get(&at).await.status, 404, "the file is gone");
    let again = reader.upload("/imports", &[("kind", "packet")], "history.json", file.text.as_bytes()).await;
    reader.fill(again.location(), &[("do", "try")]).await.says("0 rows would be new, 3 rows there already");
});
