//! The truth of a cell as a file, for programs that are no part of the bench.

use serde_json::{json, Value};

use super::recordings::{rate, visible};
use super::Cell;

/// Everything the bench knows of a cell, as it is written beside the clip.
pub fn document(cell: &Cell) -> Value {
    let (content, device) = (&*cell.content, &cell.device);
    let rate = rate(content, device);
    let size = cell.recording.size(content.size);
    json!({
        "format": "evenbeat-field-truth",
        "name": cell.name(),
        "outcome": device.outcomes[0],
        "outcomes": device.outcomes,
        "content": content.name,
        "device": device.name,
        "recording": cell.recording.name(),
        "width_px": size.width,
        "height_px": size.height,
        "rate": { "num": rate.num(), "den": rate.den() },
        "scan": device.scan.name(),
        "flagged": device.flagged.name(),
        "field_holds": device.field_holds,
        "frame_holds": device.frame_holds,
        "field_breaks": device.field_breaks,
        "frames": frames(cell),
        "fields": fields(cell),
    })
}

fn frames(cell: &Cell) -> Vec<Value> {
    let visible = cell.device.shown.iter().map(|&shown| visible(&cell.content, shown));
    cell.truths()
        .iter()
        .zip(visible)
        .map(|(truth, (luma, chroma))| {
            json!({
                "class": if truth.is_new { "new" } else { "repeat" },
                "top": truth.moments.0,
                "bottom": truth.moments.1,
                "combed_luma": truth.combed_luma,
                "combed_chroma": truth.combed_chroma,
                "lost": truth.lost.map(|parity| parity.name()),
                "blend": truth.blend,
                "visible_luma": luma,
                "visible_chroma": chroma,
            })
        })
        .collect()
}

/// Fields in the order of time: `repeats` says that the field before but one, of the same parity, is the same.
fn fields(cell: &Cell) -> Vec<Value> {
    let fields = cell.device.fields();
    let row = |place: usize| {
        let (parity, moment) = fields[place];
        json!({
            "frame": place / 2,
            "parity": parity.name(),
            "moment": moment,
            "class": if place > 0 && fields[place - 1].1 == moment { "repeat" } else { "new" },
            "repeats": place > 1 && fields[place - 2].1 == moment,
        })
    };
    (0..fields.len()).map(row).collect()
}
