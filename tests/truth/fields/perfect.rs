//! The audit that a cell deserves, made from its list: judges the bench itself.

use serde_json::Value;

use super::audited::{Audited, Row};
use super::Cell;

/// An audit without a mistake.
pub fn judgement(cell: &Cell) -> Audited {
    let device = &cell.device;
    let class = |is_new: bool| if is_new { "new" } else { "repeat" }.to_owned();
    let widened = |holds: &[u32]| holds.iter().map(|&hold| u64::from(hold)).collect();
    let frames = cell.truths().into_iter().enumerate().map(|(frame, truth)| {
        let marks = [
            ("combed", truth.combed_luma),
            ("one-field", truth.lost.is_some()),
            ("blend", truth.blend.is_some()),
        ];
        let flags = marks.into_iter().filter(|(_, has)| *has).map(|(flag, _)| flag.to_owned()).collect();
        Row { class: class(truth.is_new), flags, frame: frame as u64, ..Row::default() }
    });
    let fields = device.fields();
    let field_row = |place: usize| {
        let (parity, moment) = fields[place];
        let is_new = place == 0 || fields[place - 1].1 != moment;
        Row { class: class(is_new), parity: parity.name().to_owned(), ..Row::default() }
    };
    Audited {
        outcome: Some(device.outcomes[0].to_owned()),
        outcome_text: String::new(),
        outcome_frames: Some((0, device.shown.len() as u64 - 1)),
        scan: device.scan.name().to_owned(),
        holds: device.frame_holds.map(widened),
        field_holds: device.field_holds.map(widened),
        finding_kinds: Vec::new(),
        frames: frames.collect(),
        fields: (0..fields.len()).map(field_row).collect(),
        document: Value::Null,
    }
}
