//! The history packet for whoever is signed in: a page to print and a PDF.
use serde_json::json;

use crate::{harness::on_both_engines, reader::Reader};

on_both_engines!(it_is_there_to_print_and_to_hand_on, async |server| {
    let bike = server.motorcycle(json!({"name": "Ferry <2>"})).await;
    server.reading(&bike, "2026-05-02", 12345).await.created();
    let reader = Reader::signed_in(&server).await;
    let page = reader.get(&format!("{bike}/packet")).await;
    assert_eq!(page.status, 200);
    page.says("Ferry &#60;2&#62;").says("What is not known").says("12,345 mi");
    let pdf = reader.get(&format!("{bike}/packet.pdf")).await;
    assert_eq!((pdf.status, pdf.headers["content-type"].to_str().unwrap()), (200, "application/pdf"));
    assert!(pdf.text.starts_with("%PDF-"));
    assert_eq!(Reader::new(&server).get(&format!("{bike}/packet")).await.status, 303);
});
