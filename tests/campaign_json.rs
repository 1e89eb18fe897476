//! `campaign.json`: its schema, what is written and read back, and what is refused.

use evenbeat::campaign::json::{document, parse, SCHEMA};
use serde_json::{json, Value};

const SAMPLE: &str = include_str!("fixtures/campaign.json");

#[test]
fn the_sample_comes_back_and_follows_the_schema() {
    let campaign = parse(SAMPLE).unwrap();
    assert_eq!(document(&campaign), SAMPLE);
    let schema: Value = serde_json::from_str(SCHEMA).unwrap();
    let validator = jsonschema::draft202012::new(&schema).unwrap();
    let errors = |text: &str| {
        let value: Value = serde_json::from_str(text).unwrap();
        validator.iter_errors(&value).map(|error| error.to_string()).collect::<Vec<_>>()
    };
    assert_eq!(errors(SAMPLE), [] as [String; 0]);
    // A schema that takes everything would pass as well.
    assert!(!errors(&SAMPLE.replacen("\"right\"", "\"well\"", 1)).is_empty());
    assert!(!errors(&SAMPLE.replacen("runs/kitchen/harbour/1", "../kitchen", 1)).is_empty());
}

#[test]
fn what_no_campaign_writes_is_refused() {
    let sample: Value = serde_json::from_str(SAMPLE).unwrap();
    for (pointer, odd, expected) in [
        ("/format", json!("x"), "its format is \"x\" version 1, wanted is \"evenbeat-campaign\" version 1"),
        ("/format_version", json!(2), "its format is \"evenbeat-campaign\" version 2"),
        ("/devices", json!([]), "it has 12 cells, wanted is one for each of 0 devices and 3 clips"),
        ("/cells/1/clip", json!("fade"), "its cells are not in order at \"kitchen\""),
        ("/cells/0/shown_run", json!(7), "a cell of \"kitchen\" shows a run that it has not"),
        ("/cells/0/aspects/0/aspect", json!("timing"), "a cell of \"kitchen\" has other aspects"),
        ("/cells/0/runs/0/result/folder", json!("../../etc"), "\"../../etc\" is no folder of a campaign"),
        ("/cells/0/runs/0/result/folder", json!("/etc"), "\"/etc\" is no folder of a campaign"),
        ("/cells/0/runs/0/result/folder", json!("a\\..\\b"), "\"a\\\\..\\\\b\" is no folder of a campaign"),
        ("/cells/0/runs/0/result/barcode/frames", json!("<b>"), "\"<b>\" are no frames"),
        ("/cells/0/standing", json!("fine"), "line 1 column"),
        ("/title", json!(7), "line 1 column"),
    ] {
        let mut changed = sample.clone();
        *changed.pointer_mut(pointer).unwrap() = odd;
        let cause = parse(&changed.to_string()).unwrap_err();
        assert!(cause.starts_with(expected), "{pointer}: {cause}");
    }
}
