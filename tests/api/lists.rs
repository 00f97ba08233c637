//! Lists: pages by cursor, stable while rows are added.
use serde_json::{Value, json};

use crate::harness::{Server, on_both_engines};

async fn bikes(server: &Server, names: impl IntoIterator<Item = String>) {
    for name in names {
        server.motorcycle(json!({"name": name})).await;
    }
}
fn names(items: &[Value]) -> Vec<&str> {
    items.iter().map(|item| item["name"].as_str().unwrap()).collect()
}

on_both_engines!(pages_hold_every_row_once, async |server| {
    bikes(&server, (10..35).map(|number| format!("Bike {number}"))).await;
    for limit in [1, 4, 24, 25, 26, 200] {
        let all = server.all(&format!("/motorcycles?limit={limit}")).await;
        assert_eq!(names(&all), (10..35).map(|number| format!("Bike {number}")).collect::<Vec<_>>(), "limit {limit}");
    }
    let whole = server.get("/motorcycles?limit=25").await;
    assert_eq!((whole.header("link"), &whole.body["next"]), ("", &Value::Null));
    let first = server.get("/motorcycles?q=bike&limit=10").await;
    let cursor = first.body["next"].as_str().unwrap();
    assert_eq!(first.header("link"), format!("</api/v1/motorcycles?q=bike&limit=10&cursor={cursor}>; rel=\"next\""));
});

on_both_engines!(the_default_page_has_50, async |server| {
    bikes(&server, (100..152).map(|number| format!("Bike {number}"))).await;
    let first = server.get("/motorcycles").await;
    assert!(first.body["next"].is_string());
    assert_eq!(first.items().len(), 50);
});

on_both_engines!(names_that_are_the_same_stay_apart, async |server| {
    bikes(&server, (0..7).map(|_| "Twin".to_owned())).await;
    let mut ids: Vec<_> = server.all("/motorcycles?limit=2").await.iter().map(|bike| bike["id"].to_string()).collect();
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), 7);
});

on_both_engines!(a_list_is_stable_while_rows_are_added, async |server| {
    bikes(&server, ["B", "D", "F", "H"].map(String::from)).await;
    let first = server.get("/motorcycles?limit=2").await;
    let next = format!("/motorcycles?limit=2&cursor={}", first.body["next"].as_str().unwrap());
    // One before the place that was reached, one after it.
    bikes(&server, ["A", "G"].map(String::from)).await;
    assert_eq!(names(&first.items()), ["B", "D"]);
    let second = server.get(&next).await;
    let third = format!("/motorcycles?limit=2&cursor={}", second.body["next"].as_str().unwrap());
    assert_eq!(names(&second.items()), ["F", "G"]);
    assert_eq!(names(&server.get(&third).await.items()), ["H"]);
});

on_both_engines!(a_null_character_is_no_text_to_look_for, async |server| {
    for (path, wrong) in [
        ("/motorcycles?q=a%00b", "/q"),
        ("/motorcycles?limit=5&q=%00", "/q"),
        ("/search?q=%00", "/q"),
        ("/motorcycles?cursor=%00", "/cursor"),
    ] {
        assert_eq!(server.get(path).await.wrong(), [wrong], "{path}");
    }
});

on_both_engines!(wrong_limits_and_cursors, async |server| {
    for limit in ["0", "201", "-1", "x", "", "1.5", "99999999999999999999"] {
        assert_eq!(server.get(&format!("/motorcycles?limit={limit}")).await.wrong(), ["/limit"], "{limit}");
    }
    for cursor in ["x", "AAAA", "%00", "bnVsbA", "WyJhIiwiYiJd"] {
        assert_eq!(server.get(&format!("/motorcycles?cursor={cursor}")).await.wrong(), ["/cursor"], "{cursor}");
    }
    server.get("/motorcycles?owner=nobody").await.problem(422);
    server.get("/motorcycles?archived=perhaps").await.problem(422);
    server.get("/motorcycles?changed_since=yesterday").await.problem(422);
});

on_both_engines!(words_are_looked_for_as_they_stand, async |server| {
    bikes(&server, ["100 % Chain", "Under_score", "Backslash \\", "Émile's", "O'Neil; drop table motorcycles"].map(String::from)).await;
    for (words, found) in [("%25", 1), ("_", 1), ("%5C", 1), ("'", 2), ("chain", 1), ("CHAIN", 1), ("650", 5), ("nothing", 0)] {
        assert_eq!(server.count(&format!("/motorcycles?q={words}")).await, found, "{words}");
    }
});
