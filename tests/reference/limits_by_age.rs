//! Which limit holds: published limits that depend on the age, the variant, the force or the place, and their verdicts.
use crate::given::{bike, limit, new_limit, number, rows};
use serde_json::{Value, json};
use witnessmark::domain::{
    limit::{Judging, Limit, PartAge, judge, overlaps},
    motorcycle::Motorcycle,
    quantity::{Distance, Figure, Quantity, Unit},
    service::Verdicts,
    validate,
    words::{LimitKind, Measurand, OdometerUnit, Verdict},
};

const TABLE: &str = include_str!("limits.json");

fn miles(value: f64) -> Distance {
    Distance::new(value, OdometerUnit::Mi)
}
fn force(value: &str, unit: Unit) -> Quantity {
    Quantity { value: Figure::parse(value).expect("a figure"), unit }
}
/// A value without a part, a force or an uncertainty; the tests say what else is known.
fn plain<'a>(bike: &'a Motorcycle, component: &'a str, quantity: Measurand, value: f64, unit: Unit) -> Judging<'a> {
    Judging { bike, component, position: None, quantity, value, unit, u: 0.0, u_stated: false, at_force: None, part: None }
}
fn ran(distance: Distance) -> PartAge<'static> {
    PartAge { distance: Some(distance), hours: None, months: None, description: "Belt" }
}
fn outcome(verdicts: &Verdicts) -> (Verdict, usize) {
    (verdicts.verdict, verdicts.judged.len())
}

/// The tension gauge of that manual shows pounds, and the vocabulary has no tension: the figures stand as a mass.
fn belt_limits(row: &Value, range: &str, from: &Value) -> [Limit; 2] {
    let one = |id, name: &str, range_of: Value| {
        let mut fields = json!({"component": "drive_belt", "quantity": "mass", "unit": "lb", "kind": "adjust",
            "lower": row[name][0], "upper": row[name][1], "source": row["source"]});
        fields[range] = range_of;
        let limit = limit(id, fields);
        assert_eq!(validate::limit(&limit.details()), []);
        limit
    };
    [one(1, "new_lb", json!({"to": from})), one(2, "used_lb", json!({"from": from}))]
}

#[test]
fn a_new_belt_and_a_used_one_have_different_limits_and_95_to_100_lb_fails_both() {
    let (bike, row) = (bike(), &rows(TABLE, "belt_tension")[0]);
    let limits = belt_limits(row, "part_distance", &json!({"value": row["used_from_mi"], "unit": "mi"}));
    assert!(!overlaps(&limits[0].details(), &limits[1].details()));
    for (tension, run, wanted) in [
        (105.0, 0.0, Verdict::Within),
        (105.0, 14.9, Verdict::Within),
        (105.0, 15.0, Verdict::Outside),
        (90.0, 15.0, Verdict::Within),
        (90.0, 14.9, Verdict::Outside),
        (97.0, 0.0, Verdict::Outside),
        (97.0, 15.0, Verdict::Outside),
        (100.0, 14.0, Verdict::Within),
        (95.0, 15.0, Verdict::Within),
    ] {
        let judging = Judging { part: Some(ran(miles(run))), ..plain(&bike, "drive_belt", Measurand::Mass, tension, Unit::Lb) };
        assert_eq!(outcome(&judge(&judging, &limits)), (wanted, 1), "{tension} lb after {run} mi");
    }
}

#[test]
fn ten_minutes_of_running_make_a_belt_used() {
    let (bike, row) = (bike(), &rows(TABLE, "belt_tension")[1]);
    let limits = belt_limits(row, "part_hours", &row["used_from_h"]);
    for (hours, wanted) in
        [(0.0, Verdict::Outside), (9.0 / 60.0, Verdict::Outside), (10.0 / 60.0, Verdict::Within), (50.0, Verdict::Within)]
    {
        let part = Some(PartAge { distance: None, hours: Some(hours), months: None, description: "" });
        let judging = Judging { part, ..plain(&bike, "drive_belt", Measurand::Mass, 90.0, Unit::Lb) };
        assert_eq!(outcome(&judge(&judging, &limits)), (wanted, 1), "{hours} h");
    }
    // Only the distance is known: the answer says what is missing.
    let judging = Judging { part: Some(ran(miles(3.0))), ..plain(&bike, "drive_belt", Measurand::Mass, 90.0, Unit::Lb) };
    let found = judge(&judging, &limits);
    assert_eq!(outcome(&found), (Verdict::NoLimit, 0));
    assert!(found.because.iter().all(|sentence| sentence.contains("hours")), "{found:?}");
}

/// Common practice, no source.
#[test]
fn a_belt_at_exactly_its_break_in_distance_is_past_it() {
    let practice: Vec<Value> = serde_json::from_str(include_str!("common_practice.json")).unwrap();
    let boundary = practice.iter().find(|row| row["boundary"].is_number()).unwrap();
    let at = practice.iter().find(|row| row["force"].is_number()).unwrap();
    let edge = json!({"value": boundary["boundary"], "unit": boundary["unit"]});
    // The two windows are invented; what counts is where the one ends and the other begins.
    let one = |id, lower, upper, range: Value| {
        limit(
            id,
            json!({"component": "drive_belt", "quantity": "deflection", "unit": "mm", "kind": "adjust", "lower": lower, "upper": upper,
                "at_force": {"value": at["force"], "unit": at["unit"]}, "part_distance": range}),
        )
    };
    let limits = [one(1, 6, 8, json!({"to": edge})), one(2, 8, 10, json!({"from": edge}))];
    let (bike, pull) = (bike(), force("10", Unit::Lbf));
    let boundary = number(&boundary["boundary"]);
    for (mm_off, wanted) in [(-1, Verdict::Outside), (0, Verdict::Within), (1, Verdict::Within)] {
        let part = Some(ran(Distance::from_mm(miles(boundary).mm() + mm_off)));
        let judging = Judging { part, at_force: Some(&pull), ..plain(&bike, "drive_belt", Measurand::Deflection, 9.0, Unit::Mm) };
        assert_eq!(outcome(&judge(&judging, &limits)), (wanted, 1), "{mm_off} mm off the boundary");
    }
    let judging = Judging { at_force: Some(&pull), ..plain(&bike, "drive_belt", Measurand::Deflection, 9.0, Unit::Mm) };
    let found = judge(&judging, &limits);
    assert_eq!(outcome(&found), (Verdict::NoLimit, 0));
    assert!(found.because[0].contains("no installed part of known age"), "{found:?}");
}

#[test]
fn a_deflection_is_a_pair_with_its_force() {
    let (bike, row) = (bike(), &rows(TABLE, "deflection_pair")[0]);
    let limits = [limit(
        1,
        json!({"component": "drive_belt", "quantity": "deflection", "unit": "mm", "kind": "adjust", "lower": row["mm"][0], "upper": row["mm"][1],
            "at_force": {"value": row["force_N"], "unit": "N"}}),
    )];
    let take = |at_force: Option<&Quantity>| {
        judge(&Judging { at_force, ..plain(&bike, "drive_belt", Measurand::Deflection, 11.0, Unit::Mm) }, &limits)
    };
    let same = Quantity { value: Figure::parse(&row["same_force_lbf"].to_string()).unwrap(), unit: Unit::Lbf };
    assert_eq!(outcome(&take(Some(&same))), (Verdict::Within, 1));
    // 2 % of 98 N is 1.96 N, the edge included.
    assert_eq!(outcome(&take(Some(&force("99.96", Unit::N)))), (Verdict::Within, 1));
    for other in ["99.97", "96.03", "45"] {
        let found = take(Some(&force(other, Unit::N)));
        assert_eq!(outcome(&found), (Verdict::NoLimit, 0), "{other} N");
        assert!(found.because[0].contains("98 N") && found.because[0].contains(other), "{found:?}");
    }
    let found = take(None);
    assert_eq!(outcome(&found), (Verdict::NoLimit, 0));
    assert!(found.because[0].contains("without saying at which force"), "{found:?}");
}

fn simple(component: &str, quantity: &str, kind: &str, unit: &str, lower: &Value, upper: &Value) -> Value {
    json!({"component": component, "quantity": quantity, "kind": kind, "unit": unit, "lower": lower, "upper": upper})
}
fn verdict_of(fields: Value, judging: &Judging) -> Verdict {
    let limit = limit(1, fields);
    assert_eq!(validate::limit(&limit.details()), []);
    judge(judging, &[limit]).verdict
}

#[test]
fn published_limits_for_brakes() {
    let (bike, none) = (bike(), Value::Null);
    let lining = &rows(TABLE, "lining_min")[0];
    let thickness = |value, unit| plain(&bike, "brake_pads", Measurand::Thickness, value, unit);
    // 1/32 in is 0.79375 mm: the printed 0.8 mm is inside, 0.79 mm is not.
    let riveted = simple("brake_pads", "thickness", "legal", "1/32in", &lining["riveted_32nds"], &none);
    assert_eq!(verdict_of(riveted.clone(), &thickness(number(&lining["riveted_mm"]), Unit::Mm)), Verdict::Within);
    assert_eq!(verdict_of(riveted, &thickness(0.79, Unit::Mm)), Verdict::Outside);
    let bonded = simple("brake_pads", "thickness", "legal", "in", &json!(0.0625), &none);
    assert_eq!(number(&lining["bonded_in"]).to_string(), "0.0625");
    assert_eq!(verdict_of(bonded.clone(), &thickness(2.0, Unit::ThirtySecondIn)), Verdict::Within);
    assert_eq!(verdict_of(bonded, &thickness(1.58, Unit::Mm)), Verdict::Outside);
    for row in rows(TABLE, "fluid_boiling") {
        for state in ["dry", "wet"] {
            let limit = simple("brake_fluid", "temperature", "wear", "degC", &row[format!("{state}_min_c")], &none);
            let boils = |value| plain(&bike, "brake_fluid", Measurand::Temperature, value, Unit::DegF);
            let printed = number(&row[format!("{state}_min_f")]);
            assert_eq!(verdict_of(limit.clone(), &boils(printed)), Verdict::Within, "{row}");
            assert_eq!(verdict_of(limit, &boils(printed - 0.1)), Verdict::Outside, "{row}");
        }
    }
    let play = &rows(TABLE, "free_play_min")[0];
    let pedal = simple("brake_caliper", "free_play", "legal", "in", &play["foot_pedal_in"], &none);
    assert_eq!(verdict_of(pedal.clone(), &plain(&bike, "brake_caliper", Measurand::FreePlay, 12.7, Unit::Mm)), Verdict::Within);
    assert_eq!(verdict_of(pedal, &plain(&bike, "brake_caliper", Measurand::FreePlay, 12.6, Unit::Mm)), Verdict::Outside);
}

#[test]
fn published_limits_for_battery_plug_and_chain() {
    let (bike, none) = (bike(), Value::Null);
    let volts = &rows(TABLE, "voltage_min")[0]["volts"];
    let rest = |value| plain(&bike, "battery", Measurand::Voltage, value, Unit::V);
    let limit = simple("battery", "voltage", "wear", "V", volts, &none);
    assert_eq!([12.4, 12.2, 12.6].map(|v| verdict_of(limit.clone(), &rest(v))), [Verdict::Within, Verdict::Outside, Verdict::Within]);
    let unsure = Judging { u: 0.05, ..rest(12.4) };
    assert_eq!(verdict_of(limit, &unsure), Verdict::TooCloseToCall);
    let gap = &rows(TABLE, "plug_gap")[0];
    let limit = simple("spark_plug", "clearance", "adjust", "in", &gap["inch"][0], &gap["inch"][1]);
    let plug = |value: &Value| plain(&bike, "spark_plug", Measurand::Clearance, number(value), Unit::Mm);
    for edge in [&gap["exact_mm"][0], &gap["exact_mm"][1]] {
        assert_eq!(verdict_of(limit.clone(), &plug(edge)), Verdict::Within);
    }
    assert_eq!(
        verdict_of(limit, &plug(&gap["misprint_mm"])),
        Verdict::Outside,
        "the printed centimeters would pass a gap that is too wide"
    );
    let slack = &rows(TABLE, "chain_slack")[0]["inch"];
    let limit = simple("drive_chain", "deflection", "adjust", "in", &slack[0], &slack[1]);
    let chain = |value| plain(&bike, "drive_chain", Measurand::Deflection, value, Unit::Mm);
    assert_eq!(
        [12.7, 25.4, 12.6, 25.5].map(|v| verdict_of(limit.clone(), &chain(v))),
        [Verdict::Within, Verdict::Within, Verdict::Outside, Verdict::Outside]
    );
}

#[test]
fn a_variant_is_found_by_its_words_in_the_description() {
    let bike = bike();
    let pads = &rows(TABLE, "pad_min_variant")[0];
    let mut sintered = simple("brake_pads", "thickness", "legal", "mm", &pads["sintered_mm"], &Value::Null);
    sintered["variant"] = json!("sintered");
    let limits = [limit(1, simple("brake_pads", "thickness", "legal", "mm", &pads["standard_mm"], &Value::Null)), limit(2, sintered)];
    assert!(!overlaps(&limits[0].details(), &limits[1].details()));
    let pad = |description| Judging {
        part: Some(PartAge { distance: None, hours: None, months: None, description }),
        ..plain(&bike, "brake_pads", Measurand::Thickness, 1.2, Unit::Mm)
    };
    assert_eq!(outcome(&judge(&pad("Sintered pads, front"), &limits)), (Verdict::Within, 1));
    assert_eq!(outcome(&judge(&pad("Organic pads"), &limits)), (Verdict::Outside, 1));
    let rim = &rows(TABLE, "rim_runout_lateral")[0];
    let variants = ["steel", "alloy"].map(|variant| {
        let mut fields = simple("wheel", "runout", "legal", "mm", &Value::Null, &rim[format!("{variant}_mm")]);
        fields["variant"] = json!(variant);
        limit(3, fields)
    });
    let wheel = |description| Judging {
        part: Some(PartAge { distance: None, hours: None, months: None, description }),
        ..plain(&bike, "wheel", Measurand::Runout, 3.0, Unit::Mm)
    };
    assert_eq!(outcome(&judge(&wheel("Steel rim, spoked"), &variants)), (Verdict::Within, 1));
    assert_eq!(outcome(&judge(&wheel("Alloy wheel"), &variants)), (Verdict::Outside, 1));
    assert_eq!(outcome(&judge(&wheel("Wheel"), &variants)), (Verdict::NoLimit, 0));
}

#[test]
fn each_kind_is_judged_by_itself_and_each_place_has_its_law() {
    let (bike, law) = (bike(), rows(TABLE, "tread_min"));
    let mut maryland = simple("tire", "tread_depth", "legal", "1/32in", &law[0]["thirty_seconds"], &Value::Null);
    maryland["jurisdiction"] = law[0]["place"].clone();
    let mut kingdom = simple("tire", "tread_depth", "legal", "mm", &law[1]["mm"], &Value::Null);
    kingdom["jurisdiction"] = law[1]["place"].clone();
    // The wear limit is invented.
    let wear = simple("tire", "tread_depth", "wear", "mm", &json!(2), &Value::Null);
    let limits = [limit(1, maryland), limit(2, kingdom), limit(3, wear)];
    let at = |value| judge(&plain(&bike, "tire", Measurand::TreadDepth, value, Unit::Mm), &limits);
    assert_eq!(outcome(&at(2.5)), (Verdict::Within, 3));
    let worn = at(1.5);
    assert_eq!(outcome(&worn), (Verdict::Outside, 3));
    for judged in &worn.judged {
        let wanted = if judged.kind == LimitKind::Wear { Verdict::Outside } else { Verdict::Within };
        assert_eq!(judged.verdict, wanted, "{judged:?}");
    }
    let illegal_in_one = at(0.9);
    assert_eq!(illegal_in_one.judged.iter().filter(|judged| judged.verdict == Verdict::Outside).count(), 2);
}

#[test]
fn the_most_specific_limit_wins_then_the_exact_position_then_a_range() {
    let bike = bike();
    let one = |id: u128, more: Value| {
        let mut fields = simple("brake_disc", "thickness", "wear", "mm", &json!(id), &Value::Null);
        fields.as_object_mut().unwrap().append(&mut more.as_object().unwrap().clone());
        limit(id, fields)
    };
    // From the least specific to the most: each further one takes over.
    let limits = [
        one(1, json!({})),
        one(2, json!({"part_distance": {"from": {"value": 100, "unit": "mi"}}})),
        one(3, json!({"position": "front"})),
        one(4, json!({"applies_to": {"make": "HALDEN"}})),
        one(5, json!({"applies_to": {"make": "Halden", "model": "650 twin"}})),
        one(6, json!({"applies_to": {"make": "Halden", "model": "650 Twin", "years": {"from": 2021, "to": 2021}}})),
        one(7, json!({"applies_to": {"motorcycle_id": bike.id}})),
    ];
    for other in [json!({"position": "rear"}), json!({"applies_to": {"make": "Corvane"}}), json!({"applies_to": {"years": {"to": 2020}}})] {
        let found = judge(
            &Judging { position: Some("front".parse().unwrap()), ..plain(&bike, "brake_disc", Measurand::Thickness, 9.0, Unit::Mm) },
            &[one(8, other)],
        );
        assert_eq!(outcome(&found), (Verdict::NoLimit, 0));
    }
    for known in 1..=limits.len() {
        let judging = Judging {
            position: Some("front".parse().unwrap()),
            part: Some(ran(miles(100.0))),
            ..plain(&bike, "brake_disc", Measurand::Thickness, 9.0, Unit::Mm)
        };
        let mut some = limits[..known].to_vec();
        some.reverse();
        let found = judge(&judging, &some);
        assert_eq!(found.judged.len(), 1);
        assert_eq!(found.judged[0].limit_id, limits[known - 1].id);
    }
}

#[test]
fn what_overlaps_and_what_does_not() {
    let base = simple("drive_belt", "deflection", "adjust", "mm", &json!(8), &json!(10));
    let with = |more: Value| {
        let mut fields = base.clone();
        fields.as_object_mut().unwrap().append(&mut more.as_object().unwrap().clone());
        new_limit(fields)
    };
    let range = |from: Value, to: Value| json!({"part_distance": {"from": from, "to": to}});
    let mi = |value: u32| json!({"value": value, "unit": "mi"});
    let km = |value: f64| json!({"value": value, "unit": "km"});
    let year = |from: u32, to: u32| json!({"applies_to": {"make": "Halden", "model": "650 Twin", "years": {"from": from, "to": to}}});
    for (a, b, wanted) in [
        (json!({}), json!({}), true),
        (json!({}), json!({"kind": "wear"}), false),
        (json!({}), json!({"position": "rear"}), false),
        (json!({}), json!({"jurisdiction": "UK"}), false),
        (json!({}), json!({"variant": "wide"}), false),
        (json!({"variant": "Wide belt"}), json!({"variant": "wide  BELT"}), true),
        (json!({"at_force": {"value": 45, "unit": "N"}}), json!({"at_force": {"value": 10, "unit": "lbf"}}), true),
        (json!({"at_force": {"value": 45, "unit": "N"}}), json!({"at_force": {"value": 98, "unit": "N"}}), false),
        (json!({}), json!({"at_force": {"value": 98, "unit": "N"}}), false),
        (json!({}), range(json!(null), mi(1000)), false),
        (range(json!(null), mi(1000)), range(mi(1000), json!(null)), false),
        (range(json!(null), mi(1000)), range(km(1609.344), json!(null)), false),
        (range(json!(null), mi(1000)), range(km(1609.343), json!(null)), true),
        (range(json!(null), mi(1000)), range(mi(500), mi(600)), true),
        (range(json!(null), mi(1000)), json!({"part_hours": {"from": 50}}), true),
        (json!({"part_months": {"to": 12}}), json!({"part_months": {"from": 12}}), false),
        (json!({"applies_to": {"make": "Halden"}}), json!({"applies_to": {"make": "Corvane"}}), false),
        (json!({"applies_to": {"make": "Halden"}}), json!({"applies_to": {"make": "HALDEN"}}), true),
        (json!({"applies_to": {"make": "Halden"}}), json!({}), false),
        (json!({"applies_to": {"make": "Halden", "model": "650 Twin"}}), json!({"applies_to": {"model": "650 twin"}}), true),
        (year(2010, 2015), year(2015, 2020), true),
        (year(2010, 2014), year(2015, 2020), false),
    ] {
        assert_eq!(overlaps(&with(a.clone()), &with(b.clone())), wanted, "{a} and {b}");
        assert_eq!(overlaps(&with(b.clone()), &with(a.clone())), wanted, "{b} and {a}");
    }
}
