//! The chart: readable at every length, nothing vanishes, the same bytes every time.

mod common;

use std::collections::BTreeMap;

use evenbeat::audit::Audit;
use evenbeat::classify::FrameFlags;
use evenbeat::report::timeline;
use evenbeat::verdict::{FindingKind, Severity};

/// Rectangles of a path of the form `Mx yhwVyh-wz…`: left, top, width, bottom.
fn rectangles(data: &str) -> Vec<(i32, i32, i32, i32)> {
    data.split('M')
        .filter(|part| !part.is_empty())
        .map(|part| {
            let numbers: Vec<i32> = part
                .split(|c: char| !c.is_ascii_digit())
                .filter(|digits| !digits.is_empty())
                .map(|digits| digits.parse().unwrap())
                .collect();
            (numbers[0], numbers[1], numbers[2], numbers[3])
        })
        .collect()
}

/// Rectangles of all lanes and mark rows by name.
fn drawn(svg: &str) -> BTreeMap<String, Vec<(i32, i32, i32, i32)>> {
    let document = roxmltree::Document::parse(svg).expect("the chart is well-formed XML");
    let mut found: BTreeMap<String, Vec<_>> = BTreeMap::new();
    for node in document.descendants().filter(|node| node.has_tag_name("path")) {
        let name = match node.attribute("class") {
            Some("lane") => node.attribute("data-lane"),
            Some("mark") => node.parent().and_then(|parent| parent.attribute("data-row")),
            _ => None,
        };
        if let Some(name) = name {
            found.entry(name.to_owned()).or_default().extend(rectangles(node.attribute("d").unwrap()));
        }
    }
    found
}

/// Widths of rectangles, those that touch taken as one.
fn widths_of_runs(marks: &[(i32, i32, i32, i32)]) -> Vec<i32> {
    let mut spans: Vec<(i32, i32)> = marks.iter().map(|&(left, _, width, _)| (left, left + width)).collect();
    spans.sort_unstable();
    let mut runs: Vec<(i32, i32)> = Vec::new();
    for (left, right) in spans {
        match runs.last_mut().filter(|run| left <= run.1) {
            Some(run) => run.1 = run.1.max(right),
            None => runs.push((left, right)),
        }
    }
    runs.into_iter().map(|(left, right)| right - left).collect()
}

fn chart(audit: &Audit) -> String {
    timeline::svg(audit).expect("drawing into memory cannot fail")
}

#[test]
fn every_kind_of_event_has_a_mark_at_every_length() {
    for frames in [60, 120, 3600, 36_000, 2_160_000] {
        let audit = common::everything(frames);
        let drawn = drawn(&chart(&audit));
        for finding in &audit.events {
            let name = finding.kind.name();
            let marks = &drawn[name];
            // A mark is at least 3 px wide, however long the capture; where marks meet, the more severe one wins.
            assert!(widths_of_runs(marks).iter().all(|&width| width >= 3), "{name}: {marks:?}");
            // The plot spans 142 to 768 px; the time axis is linear over the frames.
            let x = 142.0 + 626.0 * finding.first_frame as f64 / frames as f64;
            let covered = marks.iter().any(|&(left, _, width, _)| {
                (f64::from(left) - 3.0..=f64::from(left + width) + 1.0).contains(&x)
            });
            assert!(covered, "{name} at frame {} of {frames}", finding.first_frame);
        }
        assert!(widths_of_runs(&drawn["cut"]).iter().all(|&width| width >= 3), "{:?}", drawn["cut"]);
    }
}

#[test]
fn no_class_vanishes_when_zoomed_out() {
    // One repeat and one still frame among two million new ones; the repeat leaves the cadence in `drawn`.
    let mut audit = common::steady(2_160_000, &[1]);
    audit.frames[1_000_000].class = evenbeat::classify::FrameClass::Repeat;
    audit.frames[1_500_000].class = evenbeat::classify::FrameClass::Still;
    let drawn = drawn(&chart(&audit));
    for lane in ["new", "repeat", "still"] {
        let rectangles = &drawn[lane];
        assert!(rectangles.iter().all(|&(_, top, width, bottom)| width >= 1 && bottom - top >= 3), "{lane}");
    }
    let (x, ..) = drawn["repeat"][0];
    let expected = 142.0 + 626.0 * 1_000_000.0 / 2_160_000.0;
    assert!((f64::from(x) - expected).abs() <= 1.0, "{x} against {expected}");
}

#[test]
fn a_break_shows_as_a_repeat_outside_the_cadence() {
    let audit = common::troubled();
    let drawn = drawn(&chart(&audit));
    // A freeze of 51 of 3669 frame periods is 9 px wide.
    let widths: i32 = drawn["repeat-outside"].iter().map(|&(_, _, width, _)| width).sum();
    assert!((9..=16).contains(&widths), "{widths} px");
    assert!(!drawn["hold"].is_empty());
}

#[test]
fn a_stall_stands_upright_and_is_named_at_its_place() {
    // Ten seconds with a stall of 12 frames: no frame has a block of its own at this scale.
    let mut holds = vec![1; 300];
    holds.push(12);
    holds.extend([1; 288]);
    let mut audit = common::with_holds(&holds, &[1]);
    audit.cadence.freezes.push(evenbeat::cadence::Freeze {
        first_frame: 300,
        last_frame: 311,
        duration_ms: 200.2,
        lost_pictures: None,
    });
    let freeze = common::finding(&audit, FindingKind::Freeze, Severity::Warning, 300, 311);
    audit.findings.push(freeze);
    let audit = common::concluded(audit);
    let svg = chart(&audit);
    let drawn = drawn(&svg);
    let heights: Vec<i32> = drawn["repeat-outside"].iter().map(|&(_, top, _, bottom)| bottom - top).collect();
    assert!(!heights.is_empty() && heights.iter().all(|&height| height == heights[0]), "{heights:?}");
    // Up to the stall and after it every picture is new: nothing leans.
    let new: Vec<i32> = drawn["new"].iter().map(|&(_, top, _, bottom)| bottom - top).collect();
    assert!(new.iter().filter(|&&height| height != new[0]).count() <= 1, "{new:?}");
    assert!(svg.contains(">one picture for 200 ms</text>"));
}

#[test]
fn short_captures_show_each_frame_on_its_own() {
    // 120 frames at more than 5 px each: 60 new blocks and 60 repeat blocks, apart from each other.
    let drawn = drawn(&chart(&common::half_rate(120)));
    assert_eq!(drawn["new"].len(), 60);
    assert_eq!(drawn["repeat"].len(), 60);
}

/// A word is wider than a block: words of neighbours would lie over each other. Each frame keeps its line.
#[test]
fn frames_in_a_row_share_the_word_of_their_mark() {
    for (marked, words) in [(&[2][..], 1), (&[2, 3], 1), (&[0, 1, 2], 1), (&[2, 3, 7, 8], 2), (&[2, 4], 2)] {
        let mut audit = common::with_holds(&[1; 20], &[1]);
        marked.iter().for_each(|&frame| audit.frames[frame].flags.insert(FrameFlags::COMBED));
        let svg = chart(&audit);
        let (_, rest) = svg.split_once("class=\"close-up\"").expect("a close-up");
        let (blocks, _) = rest.split_once("</g>").expect("its end");
        assert_eq!(blocks.matches(">combed<").count(), words, "{marked:?}");
        assert_eq!(blocks.matches("stroke-dasharray=\"3 2\"").count(), marked.len(), "{marked:?}");
    }
}

#[test]
fn an_even_cadence_is_a_flat_line_at_its_share() {
    for (pattern, share) in [(&[2][..], 0.5), (&[2, 3][..], 0.4)] {
        let drawn = drawn(&chart(&common::steady(36_000, pattern)));
        let heights: std::collections::BTreeSet<i32> =
            drawn["new"].iter().map(|&(_, top, _, bottom)| bottom - top).collect();
        let expected = (share * 48.0_f64).round() as i32;
        assert!(heights.iter().all(|height| (height - expected).abs() <= 1), "{heights:?} for {pattern:?}");
    }
}

#[test]
fn charts_carry_title_description_and_role() {
    for audit in [
        common::empty(),
        common::steady(1, &[1]),
        common::steady(2, &[2]),
        common::half_rate(120),
        common::troubled(),
    ] {
        let svg = chart(&audit);
        let document = roxmltree::Document::parse(&svg).unwrap();
        let root = document.root_element();
        assert_eq!(root.attribute("role"), Some("img"));
        let text_of = |tag| root.children().find(|node| node.has_tag_name(tag)).unwrap().text().unwrap();
        assert_eq!(text_of("title"), audit.verdict);
        assert!(text_of("desc").contains("59.94 (60000/1001) frames/s delivered"));
        assert!(svg.contains("time from the first frame, s"));
        assert!(svg.contains("picture stays, ms"));
    }
}

#[test]
fn a_hostile_name_stays_text() {
    let mut audit = common::half_rate(120);
    audit.facts.name = common::HOSTILE_NAME.to_owned();
    audit.verdict = format!("Verdict on {}", common::HOSTILE_NAME);
    audit.headline = audit.verdict.clone();
    let svg = chart(&audit);
    let document = roxmltree::Document::parse(&svg).unwrap();
    assert!(!document.descendants().any(|node| node.tag_name().name() == "script"));
    assert!(svg.contains("\\u{202E}gpj\\u{1B}[31m\\u{0}.y4m"));
}

#[test]
fn strange_values_are_drawn_without_panic() {
    let mut audit = common::everything(240);
    audit.times.ticks =
        (0..240).map(|frame| if frame == 100 { i64::MAX } else { i64::MIN + frame }).collect();
    chart(&audit);
    audit.times.ticks = vec![7; 240];
    chart(&audit);
    audit.times.ticks.truncate(3);
    chart(&audit);
    audit.events[0].first_frame = u64::MAX;
    audit.events[0].last_frame = 0;
    chart(&audit);
}

#[test]
fn ten_hours_stay_small_and_the_bytes_repeat() {
    /// What an attachment may take, bytes.
    const SIZE_MAX: usize = 300_000;
    let audit = common::everything(2_160_000);
    let first = chart(&audit);
    assert!(first.len() <= SIZE_MAX, "{} bytes", first.len());
    assert_eq!(first, chart(&audit));
}

/// Writes pictures for looking at into the folder named by `EVENBEAT_LOOK`; without it, only draws them.
#[test]
fn charts_for_looking_at() {
    let folder = std::env::var_os("EVENBEAT_LOOK").map(std::path::PathBuf::from);
    for (name, audit) in [
        ("2s-2-2", common::half_rate(120)),
        ("10s-2-3", common::steady(600, &[2, 3])),
        ("60s-trouble", common::troubled()),
        ("one-stall", common::stalling(1)),
        ("three-stalls", common::stalling(3)),
        ("forty-stalls", common::stalling(40)),
        ("10h", common::everything(2_160_000)),
        ("60s-2-2", common::half_rate(3600)),
        ("empty", common::empty()),
    ] {
        let svg = chart(&audit);
        assert!(svg.ends_with("</svg>\n"));
        if let Some(folder) = &folder {
            std::fs::write(folder.join(format!("{name}.svg")), svg).unwrap();
        }
    }
}
