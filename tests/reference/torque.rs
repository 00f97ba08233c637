//! Torque: printed pairs, published ranges as stages, and the adapter on the wrench.
use crate::given::{close_to, fastener, number, rows, unit};
use serde_json::{Value, json};
use witnessmark::domain::{
    quantity::{Figure, Quantity, Unit},
    service::{Adapter, NewTightened, StageVerdict},
    torque::{problems, stage_verdicts, torque_at_fastener, wrench_setting},
    words::Verdict,
};

const TABLE: &str = include_str!("torque.json");

fn tightened(fields: &Value) -> NewTightened {
    let mut line = json!({"fastener": "rear_axle_nut"});
    for (name, value) in fields.as_object().expect("fields of a line") {
        line[name] = value.clone();
    }
    serde_json::from_value(line).expect("a tightened line")
}
/// One stage, one value.
fn verdict(lower: &Value, upper: &Value, of: Unit, value: f64, unit: Unit) -> StageVerdict {
    let fastener = fastener(&json!([{"lower": lower, "upper": upper, "unit": of}]));
    let line = tightened(&json!({"stages": [{"value": value, "unit": unit}]}));
    assert_eq!(problems(&line, &fastener, "/tightened/0"), []);
    let mut verdicts = stage_verdicts(&line, &fastener);
    assert_eq!(verdicts.len(), 1);
    verdicts.remove(0)
}

#[test]
fn the_printed_pairs_agree_to_their_own_digits_and_the_misprints_are_found() {
    let pairs: Vec<Value> = serde_json::from_str(include_str!("torque_pairs.json")).unwrap();
    assert_eq!(pairs.len(), 170);
    let mut misprints = 0;
    for row in &pairs {
        let found = unit(&row["unit"]).convert(number(&row["value"]), Unit::Nm).unwrap();
        assert!((found - number(&row["exact_Nm"])).abs() <= 5.1e-5, "{row}: {found}");
        let printed = row["printed_Nm"].as_str().unwrap();
        let decimals = printed.split_once('.').map_or(0, |(_, behind)| behind.len());
        let agrees = format!("{found:.decimals$}") == printed;
        assert_eq!(agrees, row["agrees"] == true, "{row}: {found}");
        misprints += usize::from(!agrees);
    }
    assert_eq!(misprints, 22);
}

#[test]
fn the_published_ranges_hold_on_their_edges_and_in_both_units() {
    for row in rows(TABLE, "torque_table_inlb") {
        for use_of in ["tension", "shear"] {
            let (lower, upper) = (&row[use_of][0], &row[use_of][1]);
            let judge = |value: f64, unit: Unit| verdict(lower, upper, Unit::InLb, value, unit);
            for edge in [number(lower), number(upper)] {
                assert_eq!(judge(edge, Unit::InLb).verdict, Verdict::Within, "{row}");
                // The same torque read off a wrench in N.m or ft-lb is the same torque.
                assert_eq!(judge(Unit::InLb.convert(edge, Unit::Nm).unwrap(), Unit::Nm).verdict, Verdict::Within, "{row}");
                assert_eq!(judge(edge / 12.0, Unit::FtLb).verdict, Verdict::Within, "{row}");
            }
            let (below, above) = (judge(number(lower) - 0.5, Unit::InLb), judge(number(upper) + 0.5, Unit::InLb));
            assert_eq!((below.verdict, above.verdict), (Verdict::Outside, Verdict::Outside), "{row}");
            assert!(below.because.starts_with("below") && above.because.starts_with("above"), "{below:?} {above:?}");
            let most = judge(number(&row[format!("max_{use_of}")]), Unit::InLb);
            assert!(most.because.starts_with("above"), "{row}: {most:?}");
        }
    }
}

/// Common practice, no source.
#[test]
fn workshop_ranges_inside_outside_and_on_the_edge() {
    let practice: Vec<Value> = serde_json::from_str(include_str!("common_practice.json")).unwrap();
    let ranges: Vec<&Value> = practice.iter().filter(|row| row["lower"].is_number()).collect();
    assert_eq!(ranges.len(), 6);
    for row in ranges {
        let (lower, upper, unit) = (&row["lower"], &row["upper"], unit(&row["unit"]));
        let (least, most) = (number(lower), number(upper));
        for (value, wanted, word) in [
            (least, Verdict::Within, ""),
            (most, Verdict::Within, ""),
            (least.midpoint(most), Verdict::Within, ""),
            (least - 0.1, Verdict::Outside, "below"),
            (most + 0.1, Verdict::Outside, "above"),
        ] {
            let found = verdict(lower, upper, unit, value, unit);
            assert_eq!(found.verdict, wanted, "{row} at {value}");
            assert!(found.because.starts_with(word) && found.because.is_empty() == word.is_empty(), "{found:?}");
        }
    }
}

#[test]
fn the_adapter_example_of_the_manual() {
    let row = &rows(TABLE, "adapter")[0];
    let length = |field: &str| Quantity { value: Figure::parse(&row[field].to_string()).unwrap(), unit: unit(&row["lengths"]) };
    let adapter = Adapter { length: length("adapter"), wrench_length: length("wrench") };
    let wanted = Quantity { value: Figure::parse(&row["wanted"].to_string()).unwrap(), unit: unit(&row["unit"]) };
    let set = wrench_setting(&wanted, &adapter).unwrap();
    assert_eq!(set.unit, Unit::InLb);
    assert!((set.value.value() - number(&row["computed"])).abs() < 0.005, "{set}");
    assert_eq!(set.value.text(), "214.2857");
    assert_eq!(format!("{:.0}", set.value.value()), row["printed"].to_string());
    let back = torque_at_fastener(&set, &adapter).unwrap();
    assert!(close_to(back.value.value(), 300.0, 1e-6), "{back}");
    // Lengths of different units, and what is no length.
    let metric = Adapter { length: Quantity::rounded(101.6, Unit::Mm, 4), wrench_length: length("wrench") };
    assert_eq!(wrench_setting(&wanted, &metric).unwrap(), set);
    let heavy = Adapter { length: Quantity::rounded(4.0, Unit::Kg, 0), wrench_length: length("wrench") };
    assert!(wrench_setting(&wanted, &heavy).unwrap_err().contains("mass"));
    let none = Adapter { length: length("adapter"), wrench_length: Quantity::rounded(0.0, Unit::In, 0) };
    assert!(wrench_setting(&wanted, &none).is_err());
}

#[test]
fn with_an_adapter_the_verdict_is_about_the_torque_at_the_fastener() {
    let fastener = fastener(&json!([{"lower": 295, "upper": 305, "unit": "in-lb"}]));
    let adapter = json!({"length": {"value": 4, "unit": "in"}, "wrench_length": {"value": 10, "unit": "in"}});
    let line = tightened(&json!({"stages": [{"value": 214.2857, "unit": "in-lb"}], "adapter": adapter}));
    let found = &stage_verdicts(&line, &fastener)[0];
    assert_eq!(found.verdict, Verdict::Within);
    assert_eq!(found.at_fastener, Some(Quantity::rounded(300.0, Unit::InLb, 4)));
    // Set to what the fastener should get, the adapter makes it too much.
    let line = tightened(&json!({"stages": [{"value": 300, "unit": "in-lb"}], "adapter": line.adapter}));
    let found = &stage_verdicts(&line, &fastener)[0];
    assert_eq!(found.verdict, Verdict::Outside);
    assert_eq!(found.because, "above: 420 in-lb at the fastener, wanted 295 to 305 in-lb");
}

#[test]
fn two_stages_a_missing_one_and_one_too_many() {
    let row = &rows(TABLE, "two_stages")[0];
    let stage = |place: usize| json!({"lower": row["stages"][place], "upper": row["stages"][place], "unit": row["unit"]});
    let fastener = fastener(&json!([stage(0), stage(1)]));
    let value = |ft_lb: f64| json!({"value": ft_lb, "unit": "ft-lb"});
    let both = stage_verdicts(&tightened(&json!({"stages": [value(85.0), value(120.0)]})), &fastener);
    assert_eq!([both[0].verdict, both[1].verdict], [Verdict::Within, Verdict::Outside]);
    let one = stage_verdicts(&tightened(&json!({"stages": [value(85.0)]})), &fastener);
    assert_eq!((one.len(), one[1].stage, one[1].value.is_none(), one[1].because.as_str()), (2, 2, true, "missing"));
    let three = tightened(&json!({"stages": [value(85.0), value(125.0), value(125.0)]}));
    assert_eq!(problems(&three, &fastener, "/tightened/4")[0].pointer, "/tightened/4/stages/2");
    let degrees = tightened(&json!({"stages": [value(85.0), {"value": 90, "unit": "deg"}]}));
    assert_eq!(problems(&degrees, &fastener, "/tightened/0")[0].pointer, "/tightened/0/stages/1/unit");
}

#[test]
fn an_angle_stage_is_judged_in_degrees_and_no_adapter_touches_it() {
    let fastener = fastener(&json!([{"lower": 20, "upper": 25, "unit": "N.m"}, {"lower": 85, "upper": 95, "unit": "deg"}]));
    let adapter = json!({"length": {"value": 100, "unit": "mm"}, "wrench_length": {"value": 400, "unit": "mm"}});
    let line = tightened(&json!({"stages": [{"value": 18, "unit": "N.m"}, {"value": 90, "unit": "deg"}], "adapter": adapter}));
    let found = stage_verdicts(&line, &fastener);
    assert_eq!([found[0].verdict, found[1].verdict], [Verdict::Within, Verdict::Within]);
    assert_eq!(found[0].at_fastener.as_ref().unwrap().to_string(), "22.5 N.m");
    assert_eq!(found[1].at_fastener, None);
}
