//! Which picture each delivered frame shows, drawn from a seed.

use evenbeat::demo::schedule::{self, Stall};

use super::draw::Draw;

/// A list of pictures, one per delivered frame.
pub struct Cadence {
    /// What it is grouped by in the tables.
    pub kind: &'static str,
    pub name: String,
    pub list: Vec<u64>,
    /// Holds of the one pattern that holds throughout, in any rotation.
    pub pattern: Option<Vec<u32>>,
}

impl Cadence {
    fn new(kind: &'static str, name: String, list: Vec<u64>, pattern: Option<&[u32]>) -> Self {
        Self { kind, name, list, pattern: pattern.map(<[u32]>::to_vec) }
    }

    /// Whether every picture comes once, in turn.
    pub fn is_one_to_one(&self) -> bool {
        self.kind == ONE_TO_ONE
    }
}

/// Written name of the delivery that has no fault.
const ONE_TO_ONE: &str = "1:1";

/// Slots of a word at most.
const SLOTS_MAX: u64 = 30;

type Kind = fn(&mut Draw, usize) -> Cadence;

/// Kinds with the share in which they are drawn, in hundredths.
const KINDS: [(u64, Kind); 9] = [
    (14, |_, frames| one_to_one(frames)),
    (20, word),
    (16, telecine),
    (8, random_holds),
    (7, bursts),
    (14, |draw, frames| stalls(draw, one_to_one(frames))),
    (5, |draw, frames| {
        let even = if draw.chance(0.5) { word(draw, frames) } else { telecine(draw, frames) };
        stalls(draw, even)
    }),
    (10, drops),
    (6, change_midway),
];

/// A cadence of any kind.
pub fn drawn(draw: &mut Draw, frames: usize) -> Cadence {
    draw.weighted(&KINDS)(draw, frames)
}

/// Every picture once.
pub fn one_to_one(frames: usize) -> Cadence {
    Cadence::new(ONE_TO_ONE, ONE_TO_ONE.to_owned(), (0..frames as u64).collect(), Some(&[1]))
}

/// Pictures held in turn for so many frames.
pub fn held(kind: &'static str, holds: &[u32], frames: usize) -> Cadence {
    let name: Vec<String> = holds.iter().map(u32::to_string).collect();
    Cadence::new(kind, name.join(":"), schedule::pattern(holds, frames), Some(holds))
}

/// p pictures on q slots, the evenest holds, beginning anywhere in the round.
fn word(draw: &mut Draw, frames: usize) -> Cadence {
    let q = draw.whole(2, SLOTS_MAX);
    let p = draw.whole(1, q - 1);
    let start = draw.whole(0, q - 1);
    let list = (0..frames as u64).map(|slot| (slot + start) * p / q - start * p / q).collect();
    let divisor = common_divisor(p, q);
    let (p, q) = (p / divisor, q / divisor);
    let onset = |picture: u64| (picture * q).div_ceil(p);
    let holds: Vec<u32> = (0..p).map(|picture| (onset(picture + 1) - onset(picture)) as u32).collect();
    Cadence::new("word", format!("{p}in{q}"), list, Some(&holds))
}

fn common_divisor(a: u64, b: u64) -> u64 {
    if b == 0 {
        a
    } else {
        common_divisor(b, a % b)
    }
}

fn telecine(draw: &mut Draw, frames: usize) -> Cadence {
    let holds: &[u32] = draw.pick(&[&[2], &[2, 3], &[3, 2], &[2, 3, 3, 2]]);
    let start = draw.whole(0, 9) as usize;
    let long = held("telecine", holds, frames + start);
    let first = long.list[start];
    Cadence { list: long.list[start..].iter().map(|picture| picture - first).collect(), ..long }
}

/// Holds that follow no rule.
pub fn random_holds(draw: &mut Draw, frames: usize) -> Cadence {
    let longest = draw.whole(2, 6);
    let holds: Vec<u32> = (0..frames).map(|_| draw.whole(1, longest) as u32).collect();
    Cadence::new("random-holds", format!("holds1to{longest}"), schedule::pattern(&holds, frames), None)
}

/// Runs of motion with a hold after each.
fn bursts(draw: &mut Draw, frames: usize) -> Cadence {
    let (run, hold) = (draw.whole(2, 15), draw.whole(2, 10) as u32);
    let mut holds = Vec::new();
    while holds.len() < frames {
        let run = draw.whole(run.div_ceil(2), run);
        holds.extend(std::iter::repeat_n(1, run as usize));
        holds.push(draw.whole(2, u64::from(hold)) as u32);
    }
    Cadence::new("bursts", format!("run{run}hold{hold}"), schedule::pattern(&holds, frames), None)
}

/// Stalls of one length or of any up to it, at one spacing or about it; what follows comes late, or catches up.
pub fn stalls(draw: &mut Draw, base: Cadence) -> Cadence {
    let frames = base.list.len();
    let spacing = draw.whole(4, frames as u64 / 2);
    let length = draw.whole(1, 10.min(spacing - 2));
    let (even, alike) = (draw.chance(0.4), draw.chance(0.6));
    let mut stalls = Vec::new();
    let mut place = draw.whole(1, spacing);
    while (place as usize) < frames {
        let held = if alike { length } else { draw.whole(1, length) };
        let lost = if draw.chance(0.5) { 0 } else { held };
        stalls.push(Stall { first_frame: place as usize, frames: held as usize, lost });
        let slack = spacing - length - 1;
        place += if even || slack == 0 { spacing } else { spacing - draw.whole(0, slack / 2) };
    }
    let kind = if base.is_one_to_one() { "stalls" } else { "stalls-in-holds" };
    let name = format!("{}stall{length}every{spacing}", if base.is_one_to_one() { "" } else { &base.name });
    Cadence::new(kind, name, schedule::stalled(&base.list, &stalls), None)
}

/// Pictures left out of 1:1: now and then one, several in a row, or each n-th. No frame repeats.
pub fn drops(draw: &mut Draw, frames: usize) -> Cadence {
    let way = draw.pick(&["single", "burst", "even"]);
    let every = draw.whole(3, 12);
    let share = draw.real(0.02, 0.15);
    let longest = draw.whole(2, 8);
    let mut next = 0;
    let list = (0..frames as u64).map(|frame| {
        let shown = next;
        next += 1 + match way {
            "single" => u64::from(draw.chance(share)),
            "burst" if draw.chance(0.04) => draw.whole(2, longest),
            "even" => u64::from((frame + 1) % every == 0),
            _ => 0,
        };
        shown
    });
    let list = list.collect();
    Cadence::new("drops", format!("drop-{way}"), list, Some(&[1]))
}

/// One cadence, then another.
fn change_midway(draw: &mut Draw, frames: usize) -> Cadence {
    let turn = draw.whole(frames as u64 / 4, frames as u64 * 3 / 4) as usize;
    let mut half = |frames| match draw.whole(0, 2) {
        0 => one_to_one(frames),
        1 => word(draw, frames),
        _ => telecine(draw, frames),
    };
    let (first, second) = (half(turn), half(frames - turn));
    let name = format!("{}then{}", first.name, second.name);
    Cadence::new("change", name, schedule::joined(&first.list, &second.list), None)
}
