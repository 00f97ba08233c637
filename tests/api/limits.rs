//! Limits, fasteners and rules as they are written; measured values and their verdicts.
use serde_json::{Value, json};

use crate::harness::{Answer, Server, on_both_engines, server::merge};

fn belt(fields: Value) -> Value {
    let mut limit = json!({"component": "drive_belt", "quantity": "deflection", "lower": 8, "upper": 10, "unit": "mm", "kind": "adjust",
        "at_force": {"value": 45, "unit": "N"}});
    merge(&mut limit, fields);
    limit
}
async fn measure(server: &Server, bike: &str, on: &str, odometer: u32, fields: Value) -> Answer {
    let mut value = json!({"on": on, "odometer": odometer, "component": "drive_belt", "quantity": "deflection", "unit": "mm",
        "at_force": {"value": 45, "unit": "N"}});
    merge(&mut value, fields);
    server.post(&format!("{bike}/measured-values"), &value).await
}

// Common practice, no source: a new belt is set tighter than one that has run in.
on_both_engines!(at_the_break_in_boundary_the_later_range_holds, async |server| {
    let bike = server.motorcycle(json!({"final_drive": "belt"})).await;
    let fresh = belt(json!({"lower": 6, "upper": 8, "part_distance": {"from": null, "to": {"value": 1000, "unit": "mi"}}}));
    let fresh = server.post("/limits", &fresh).await.id();
    let run_in = belt(json!({"part_distance": {"from": {"value": 1000, "unit": "mi"}, "to": null}}));
    let run_in = server.post("/limits", &run_in).await.id();
    let part = json!({"component": "drive_belt", "on": "2026-01-01", "odometer": 5000});
    server.post(&format!("{bike}/installed-parts"), &part).await.created();
    let judged = async |on: &str, odometer: u32, reading: f64| {
        let value = measure(&server, &bike, on, odometer, json!({"readings": [reading]})).await.created();
        (value["verdict"].as_str().unwrap().to_owned(), value["judged"][0]["limit_id"].as_str().unwrap().to_owned())
    };
    assert_eq!(judged("2026-02-01", 5999, 7.0).await, ("within".into(), fresh.clone()));
    assert_eq!(judged("2026-02-02", 5999, 9.0).await, ("outside".into(), fresh.clone()));
    assert_eq!(judged("2026-02-03", 6000, 9.0).await, ("within".into(), run_in.clone()));
    assert_eq!(judged("2026-02-04", 6000, 7.0).await, ("outside".into(), run_in));
});

on_both_engines!(without_the_parts_age_or_at_another_force_there_is_no_verdict, async |server| {
    let bike = server.motorcycle(json!({"final_drive": "belt"})).await;
    server.post("/limits", &belt(json!({"part_distance": {"to": {"value": 800, "unit": "mi"}}}))).await.created();
    let no_part = measure(&server, &bike, "2026-02-01", 100, json!({"readings": [9]})).await.created();
    assert_eq!((&no_part["verdict"], &no_part["judged"]), (&json!("no_limit"), &json!([])));
    assert!(no_part["because"].to_string().len() > 10, "it says why: {}", no_part["because"]);
    server
        .post(&format!("{bike}/installed-parts"), &json!({"component": "drive_belt", "on": "2026-02-02", "odometer": 110}))
        .await
        .created();
    let force = json!({"readings": [9], "at_force": {"value": 60, "unit": "N"}});
    let other_force = measure(&server, &bike, "2026-02-03", 120, force).await.created();
    assert_eq!(other_force["verdict"], "no_limit");
    assert!(
        other_force["because"].to_string().contains("force") || other_force["because"].to_string().contains("45 N"),
        "{}",
        other_force["because"]
    );
    // 10 lbf are 44.5 N: within 2 % of 45.
    let pounds = json!({"readings": [9], "at_force": {"value": 10, "unit": "lbf"}});
    assert_eq!(measure(&server, &bike, "2026-02-03", 120, pounds).await.created()["verdict"], "within");
});

// ISO 14253-1: what the uncertainty leaves open is too close to call.
on_both_engines!(uncertainty_decides_with_the_value, async |server| {
    let bike = server.motorcycle(json!({})).await;
    let limit = json!({"component": "brake_pads", "quantity": "thickness", "lower": 1.5, "unit": "mm", "kind": "wear"});
    server.post("/limits", &limit).await.created();
    for (reading, resolution, verdict) in [
        (1.6, json!(null), "within"),
        (1.5, json!(null), "within"),
        (1.4, json!(null), "outside"),
        (1.55, json!(0.1), "within"),
        (1.54, json!(0.1), "too_close_to_call"),
        (1.46, json!(0.1), "too_close_to_call"),
        (1.44, json!(0.1), "outside"),
    ] {
        let value = json!({"on": "2026-05-01", "component": "brake_pads", "position": "front", "quantity": "thickness", "readings": [reading],
            "unit": "mm", "resolution": resolution});
        let value = server.post(&format!("{bike}/measured-values"), &value).await.created();
        assert_eq!(value["verdict"], verdict, "{reading} at {resolution}");
    }
});

on_both_engines!(a_verdict_is_kept_when_limits_change, async |server| {
    let bike = server.motorcycle(json!({"final_drive": "belt"})).await;
    let limit = format!("/limits/{}", server.post("/limits", &belt(json!({}))).await.id());
    let value = format!("/measured-values/{}", measure(&server, &bike, "2026-02-01", 100, json!({"readings": [9]})).await.id());
    server.change(&limit, &json!({"lower": 9.5})).await.ok();
    let kept = server.get(&value).await.ok();
    assert_eq!((&kept["verdict"], &kept["judged"][0]["lower"]), (&json!("within"), &json!(8)));
    assert!(kept.get("judged_now").is_none());
    let both = server.get(&format!("{value}?judge=now")).await.ok();
    assert_eq!((&both["verdict"], &both["judged_now"]["verdict"]), (&json!("within"), &json!("outside")));
    server.remove(&limit).await.with(204);
    assert_eq!(server.get(&format!("{value}?judge=now")).await.ok()["judged_now"]["verdict"], "no_limit");
});

on_both_engines!(limits_that_overlap_are_refused, async |server| {
    let first = server.post("/limits", &belt(json!({}))).await.id();
    let answer = server.post("/limits", &belt(json!({"lower": 7}))).await;
    answer.problem(409);
    assert_eq!(answer.body["conflicts_with"], json!([first]));
    // Another kind, force, rank or jurisdiction is no overlap; a range beside no range neither.
    for fields in [
        json!({"kind": "wear"}),
        json!({"at_force": {"value": 60, "unit": "N"}}),
        json!({"applies_to": {"make": "Halden"}}),
        json!({"part_distance": {"to": {"value": 800, "unit": "mi"}}}),
        json!({"part_distance": {"from": {"value": 800, "unit": "mi"}}}),
    ] {
        server.post("/limits", &belt(fields)).await.created();
    }
    server
        .post("/limits", &belt(json!({"part_distance": {"from": {"value": 799, "unit": "mi"}, "to": {"value": 801, "unit": "mi"}}})))
        .await
        .problem(409);
    // Changing one into another's place neither.
    let wear = server.all("/limits").await.into_iter().find(|limit| limit["kind"] == "wear").unwrap();
    server.change(&format!("/limits/{}", wear["id"].as_str().unwrap()), &json!({"kind": "adjust"})).await.problem(409);
    assert_eq!(server.count("/limits").await, 6);
});

on_both_engines!(impossible_limits, async |server| {
    for (fields, pointer) in [
        (json!({"component": "flux_capacitor"}), "/component"),
        (json!({"quantity": "luck"}), "/quantity"),
        (json!({"unit": "bar"}), "/unit"),
        (json!({"unit": "cubit"}), "/unit"),
        (json!({"kind": "guess"}), "/kind"),
        (json!({"lower": 11}), "/lower"),
        (json!({"lower": null, "upper": null}), "/lower"),
        (json!({"lower": "8"}), "/lower"),
        (json!({"at_force": {"value": 45, "unit": "kg"}}), "/at_force/unit"),
        (json!({"part_distance": {"from": {"value": 900, "unit": "mi"}, "to": {"value": 800, "unit": "mi"}}}), "/part_distance"),
        (json!({"part_months": {"from": -1}}), "/part_months/from"),
        (json!({"applies_to": {"motorcycle_id": "01933b6e-9a44-7cc0-8000-3f2a5c1d9e77"}}), "/applies_to/motorcycle_id"),
    ] {
        let wrong = server.post("/limits", &belt(fields.clone())).await.wrong();
        assert!(wrong.iter().any(|place| place.starts_with(pointer)), "{fields}: {wrong:?}");
    }
    assert_eq!(server.count("/limits").await, 0);
});

on_both_engines!(impossible_rules, async |server| {
    let rule = |fields: Value| {
        let mut rule = json!({"name": "Oil", "component": "engine_oil", "operation": "replace",
            "every": {"distance": {"value": 5000, "unit": "mi"}, "months": 12}});
        merge(&mut rule, fields);
        rule
    };
    for (fields, pointer) in [
        (json!({"every": {}}), "/every"),
        (json!({"every": null}), "/every"),
        (json!({"every": {"distance": null, "hours": null, "months": null}}), "/every"),
        (json!({"every": {"months": 0}}), "/every/months"),
        (json!({"every": {"months": -12}}), "/every/months"),
        (json!({"every": {"months": 1.5}}), "/every/months"),
        (json!({"every": {"months": 100_000}}), "/every/months"),
        (json!({"every": {"hours": 0}}), "/every/hours"),
        (json!({"every": {"distance": {"value": 0, "unit": "mi"}}}), "/every/distance/value"),
        (json!({"every": {"distance": {"value": -1, "unit": "mi"}}}), "/every/distance/value"),
        (json!({"every": {"distance": {"value": 5, "unit": "h"}}}), "/every/distance/unit"),
        (json!({"every": {"distance": {"value": 5, "unit": "league"}}}), "/every/distance/unit"),
        (json!({"every": {"distance": 5000}}), "/every/distance"),
        (json!({"every": {"weeks": 3}}), "/every/weeks"),
        (json!({"first": {"months": 0}}), "/first/months"),
        (json!({"window": 1}), "/window"),
        (json!({"window": -0.1}), "/window"),
        (json!({"whichever": "best"}), "/whichever"),
        (json!({"scope": "garage"}), "/scope"),
        (json!({"component": "flux_capacitor"}), "/component"),
        (json!({"operation": "polish"}), "/operation"),
        (json!({"satisfied_by": ["polish"]}), "/satisfied_by/0"),
        (json!({"lead": {"days": -1}}), "/lead/days"),
        (json!({"applies_to": {"years": {"from": 2016, "to": 2015}}}), "/applies_to/years"),
        (json!({"applies_to": {"component_fitted": "flux_capacitor"}}), "/applies_to/component_fitted"),
    ] {
        assert_eq!(server.post("/interval-rules", &rule(fields.clone())).await.wrong(), [pointer], "{fields}");
    }
    assert_eq!(server.count("/interval-rules").await, 0);
    let text = "<img src=x onerror=alert(1)> 🛵 שמן";
    let made = server.post("/interval-rules", &rule(json!({"name": text, "source": text}))).await.created();
    assert_eq!((&made["name"], &made["source"]), (&json!(text), &json!(text)));
});

on_both_engines!(impossible_fasteners, async |server| {
    let fastener = |fields: Value| {
        let mut fastener =
            json!({"key": "axle_nut", "name": "Axle nut", "component": "axle", "stages": [{"lower": 90, "upper": 110, "unit": "N.m"}]});
        merge(&mut fastener, fields);
        fastener
    };
    for (fields, pointer) in [
        (json!({"key": "Axle nut"}), "/key"),
        (json!({"key": ""}), "/key"),
        (json!({"name": ""}), "/name"),
        (json!({"component": "flux_capacitor"}), "/component"),
        (json!({"count": 0}), "/count"),
        (json!({"pattern": "zigzag"}), "/pattern"),
        (json!({"thread": "greasy"}), "/thread"),
        (json!({"stages": [{"lower": 110, "upper": 90, "unit": "N.m"}]}), "/stages/0"),
        (json!({"stages": [{"lower": 1, "upper": 2, "unit": "mm"}]}), "/stages/0/unit"),
        (json!({"recheck_after": {"value": 5, "unit": "h"}}), "/recheck_after/unit"),
    ] {
        let wrong = server.post("/fasteners", &fastener(fields.clone())).await.wrong();
        assert!(wrong.iter().all(|place| place.starts_with(pointer)), "{fields}: {wrong:?}");
    }
    assert_eq!(server.count("/fasteners").await, 0);
    server.post("/fasteners", &fastener(json!({}))).await.created();
    server.post("/fasteners", &fastener(json!({}))).await.problem(409);
});
