//! From the marks of all frames to the clip's pictures along the capture.

use crate::fingerprint::marks::{ClipIdentity, ClipScan, Lines, MarkReading};
use crate::interlace::Parity;

use super::{SourceOrigin, SourcePlace, SourceTrack, SourceUnit};

/// Smallest share of frames with readable marks of one clip for marks to count at all: at least most.
const READABLE_MIN: f64 = 0.5;
/// Largest difference in the weight of one unit between even and odd lines that still show the same: twice the
/// error of a weight after coarse coding (measured by the marks bench).
const LINES_DIFFER: f32 = 0.2;
/// Smallest weight that counts beside the heaviest unit, as for one set of lines.
const WEIGHT_MIN: f32 = 0.08;

/// The track of a capture of `frames` frames that carry marks, one reading per frame; frames without one at the end
/// may be left out. `None` where too few carry marks.
///
/// Frames that show marks of another clip are unknown, as those that cannot be read.
pub fn track(readings: &[Option<MarkReading>], frames: usize) -> Option<SourceTrack> {
    let clip = most_frequent_clip(readings)?;
    let mut places: Vec<SourcePlace> = readings
        .iter()
        .map(|reading| match reading {
            Some(reading) if reading.clip == clip => place(reading.lines),
            _ => SourcePlace::Unknown,
        })
        .collect();
    places.resize(frames, SourcePlace::Unknown);
    let readable = places.iter().filter(|place| **place != SourcePlace::Unknown).count();
    if (readable as f64) < READABLE_MIN * places.len() as f64 {
        return None;
    }
    let unit = if clip.scan().counts_fields() { SourceUnit::Field } else { SourceUnit::Picture };
    Some(SourceTrack {
        origin: SourceOrigin::Marks,
        unit,
        clip_name: format!("test clip {:07x}", clip.id()),
        clip_rate: clip.unit_rate(),
        clip_length: Some(u64::from(clip.length())),
        first_field: match clip.scan() {
            ClipScan::Progressive | ClipScan::FilmTopFieldFirst | ClipScan::FilmBottomFieldFirst => None,
            ClipScan::TopFieldFirst => Some(Parity::Top),
            ClipScan::BottomFieldFirst => Some(Parity::Bottom),
        },
        places,
    })
}

/// The clip that most readings name; the first of them where several are as frequent.
pub fn most_frequent_clip(readings: &[Option<MarkReading>]) -> Option<ClipIdentity> {
    let mut counts: Vec<(ClipIdentity, usize)> = Vec::new();
    for reading in readings.iter().flatten() {
        match counts.iter().position(|(clip, _)| *clip == reading.clip) {
            Some(at) => counts[at].1 += 1,
            // A capture of many clips is no capture of one: enough are counted to see that.
            None if counts.len() < CLIPS_MAX => counts.push((reading.clip, 1)),
            None => {}
        }
    }
    counts.into_iter().rev().max_by_key(|(_, count)| *count).map(|(clip, _)| clip)
}

/// Most clips told apart in one capture.
const CLIPS_MAX: usize = 64;

/// What a frame shows by its even and odd lines.
fn place([even, odd]: [Option<Lines>; 2]) -> SourcePlace {
    match (even, odd) {
        (None, None) => SourcePlace::Unknown,
        (Some(lines), None) | (None, Some(lines)) => of_lines(lines),
        (Some(even), Some(odd)) if even.ahead == 0 && odd.ahead == 0 && even != odd => {
            SourcePlace::Woven { first: even.first.min(odd.first), second: even.first.max(odd.first) }
        }
        (Some(even), Some(odd)) if alike(even, odd) => of_units(both(even, odd)),
        // One set of lines is a field as it was sent, the other was made up from its neighbours.
        (Some(sent), Some(made)) | (Some(made), Some(sent)) if sent.ahead == 0 && made.ahead != 0 => {
            of_lines(sent)
        }
        (Some(even), Some(odd)) => of_units(both(even, odd)),
    }
}

/// Units with their weights; the sum is 1.
type Units = Vec<(u32, f32)>;

fn units(lines: Lines) -> Units {
    let (second, weight) = lines.second();
    if lines.ahead == 0 {
        vec![(lines.first, 1.0)]
    } else {
        vec![(lines.first, 1.0 - weight), (second, weight)]
    }
}

/// Units of both sets of lines, in ascending order, each set half of the picture.
fn both(even: Lines, odd: Lines) -> Units {
    let mut all: Units = Vec::new();
    for (unit, weight) in units(even).into_iter().chain(units(odd)) {
        match all.iter_mut().find(|(known, _)| *known == unit) {
            Some((_, sum)) => *sum += weight / 2.0,
            None => all.push((unit, weight / 2.0)),
        }
    }
    all.sort_by_key(|(unit, _)| *unit);
    all
}

/// Whether both sets of lines show the same, within the error of weights.
fn alike(even: Lines, odd: Lines) -> bool {
    let weight = |lines: Lines, unit: u32| {
        units(lines).into_iter().find(|(known, _)| *known == unit).map_or(0.0, |(_, weight)| weight)
    };
    both(even, odd)
        .into_iter()
        .all(|(unit, _)| (weight(even, unit) - weight(odd, unit)).abs() <= LINES_DIFFER)
}

fn of_lines(lines: Lines) -> SourcePlace {
    of_units(units(lines))
}

/// The one unit, or the two that weigh most.
fn of_units(mut units: Units) -> SourcePlace {
    // The earlier one first among equals.
    units.sort_by(|a, b| b.1.total_cmp(&a.1));
    let (heaviest, next) = match units[..] {
        [] => return SourcePlace::Unknown,
        [one] => return SourcePlace::Picture(one.0),
        [heaviest, next, ..] => (heaviest, next),
    };
    let share = next.1 / (heaviest.1 + next.1);
    if share < WEIGHT_MIN {
        return SourcePlace::Picture(heaviest.0);
    }
    let weight = if heaviest.0 < next.0 { share } else { 1.0 - share };
    SourcePlace::Mix { first: heaviest.0.min(next.0), second: heaviest.0.max(next.0), weight }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Rate;

    fn clip(id: u32) -> ClipIdentity {
        ClipIdentity::new(id, 1000, Rate::new(50, 1).unwrap(), ClipScan::TopFieldFirst).unwrap()
    }

    fn one(unit: u32) -> Option<Lines> {
        Some(Lines { first: unit, ahead: 0, weight: 0 })
    }

    fn mix(first: u32, ahead: u8, weight: u8) -> Option<Lines> {
        Some(Lines { first, ahead, weight })
    }

    #[test]
    fn lines_make_places() {
        let mixed = |first, second, weight| SourcePlace::Mix { first, second, weight };
        for (lines, expected) in [
            ([None, None], SourcePlace::Unknown),
            ([one(7), one(7)], SourcePlace::Picture(7)),
            ([one(7), None], SourcePlace::Picture(7)),
            ([None, mix(7, 2, 51)], mixed(7, 9, 0.2)),
            // Two fields woven, in both orders.
            ([one(8), one(9)], SourcePlace::Woven { first: 8, second: 9 }),
            ([one(9), one(8)], SourcePlace::Woven { first: 8, second: 9 }),
            // A mix, nearly the same in both.
            ([mix(8, 1, 102), mix(8, 1, 102)], mixed(8, 9, 0.4)),
            ([mix(8, 1, 51), one(8)], mixed(8, 9, 0.1)),
            // A field as sent, the other lines made up from it and its neighbours.
            ([one(8), mix(8, 1, 102)], SourcePlace::Picture(8)),
            ([mix(7, 2, 127), one(8)], SourcePlace::Picture(8)),
            // Traces of a neighbour.
            ([mix(8, 1, 20), one(8)], SourcePlace::Picture(8)),
        ] {
            match (place(lines), expected) {
                (
                    SourcePlace::Mix { first, second, weight },
                    SourcePlace::Mix { first: a, second: b, weight: expected },
                ) => {
                    assert_eq!((first, second), (a, b), "{lines:?}");
                    assert!((weight - expected).abs() < 0.003, "{lines:?}: {weight}");
                }
                (found, expected) => assert_eq!(found, expected, "{lines:?}"),
            }
        }
    }

    #[test]
    fn marks_count_where_most_frames_carry_those_of_one_clip() {
        let reading = |id, unit| Some(MarkReading { clip: clip(id), lines: [one(unit), one(unit)] });
        let track = track(&[reading(1, 4), None, reading(1, 5), reading(2, 6), reading(1, 6)], 6).unwrap();
        assert_eq!(
            track.places,
            [4, u32::MAX, 5, u32::MAX, 6, u32::MAX].map(|unit| match unit {
                u32::MAX => SourcePlace::Unknown,
                unit => SourcePlace::Picture(unit),
            })
        );
        assert_eq!((track.origin, track.unit), (SourceOrigin::Marks, SourceUnit::Field));
        assert_eq!((track.clip_rate, track.clip_length), (Rate::new(50, 1).unwrap(), Some(1000)));
        assert_eq!(track.clip_name, "test clip 0000001");
        assert_eq!(super::track(&[reading(1, 4)], 3), None);
        assert_eq!(super::track(&[None, None], 2), None);
        assert_eq!(super::track(&[], 0), None);
    }
}
