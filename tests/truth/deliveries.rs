//! Deliveries of the bench: which picture each delivered frame shows, written before anything is painted.

use evenbeat::demo::schedule::{self, Shown, Stall};
use evenbeat::units::Rate;

/// How a device delivers a clip.
pub struct Delivery {
    pub name: &'static str,
    pub delivered_rate: Rate,
    pub shown: Vec<Shown>,
    /// Holds of the pattern that dominates, in any rotation; `None` where none does.
    pub pattern: Option<Vec<u32>>,
    /// Stalls put in, in frame order.
    pub stalls: Vec<Stall>,
    /// Needs many frames: painted small.
    pub long: bool,
}

/// Frames of a long delivery: two slips of 59.94 on 60 and two breaks of 23.976 on 60.
const LONG_FRAMES: usize = 2400;

fn rate(text: &str) -> Rate {
    Rate::parse(text).expect("a rate of the table")
}

/// Delivery of pictures at `source` on frames at `delivered`, evenest holds.
fn even(name: &'static str, rates: (&str, &str), frames: usize, pattern: &[u32]) -> Delivery {
    let (source_rate, delivered_rate) = (rate(rates.0), rate(rates.1));
    let list = schedule::even(source_rate, delivered_rate, frames);
    Delivery {
        name,
        delivered_rate,
        shown: schedule::plain(&list),
        pattern: Some(pattern.to_vec()),
        stalls: Vec::new(),
        long: false,
    }
}

/// Delivery of a plain list at 60 frames per second.
fn listed(name: &'static str, list: &[u64], pattern: Option<&[u32]>) -> Delivery {
    Delivery {
        name,
        delivered_rate: rate("60"),
        shown: schedule::plain(list),
        pattern: pattern.map(<[u32]>::to_vec),
        stalls: Vec::new(),
        long: false,
    }
}

/// Every delivery of the bench, `frames` long (the long ones longer).
pub fn all(frames: usize) -> Vec<Delivery> {
    let mut one_in_25 = vec![1; 24];
    one_in_25[0] = 2;
    vec![
        even("1:1", ("60", "60"), frames, &[1]),
        even("2:2", ("30", "60"), frames, &[2]),
        listed("2:3", &schedule::pattern(&[2, 3], frames), Some(&[2, 3])),
        listed("3:2", &schedule::pattern(&[3, 2], frames), Some(&[2, 3])),
        listed("2:3:3:2", &schedule::pattern(&[2, 3, 3, 2], frames), Some(&[2, 3, 3, 2])),
        even("24-in-25", ("24", "25"), frames, &one_in_25),
        even("25-in-50", ("25", "50"), frames, &[2]),
        even("25-in-60", ("25", "60"), frames, &[3, 2, 3, 2, 2]),
        even("48-in-60", ("48", "60"), frames, &[2, 1, 1, 1]),
        even("50-in-60", ("50", "60"), frames, &[2, 1, 1, 1, 1]),
        Delivery { long: true, ..even("23.976-on-60", ("23.976", "60"), LONG_FRAMES, &[2, 3]) },
        Delivery { long: true, ..even("59.94-on-60", ("59.94", "60"), LONG_FRAMES, &[1]) },
        stalls(frames),
        pattern_change(frames),
        breaks(frames),
        mixing("mix-50-in-60", "50", frames),
        mixing("mix-24-in-60", "24", frames),
    ]
}

/// Deliveries whose pictures come in the wrong order, and mixes between held pictures. They meet a few recordings only.
pub fn disordered(frames: usize) -> Vec<Delivery> {
    vec![
        listed("returns", &returns(frames), None),
        listed("swaps", &swaps(frames), None),
        Delivery { shown: mixes_between_holds(frames), ..listed("mix-between-holds", &[], None) },
    ]
}

/// Frames from one fault of the order to the next, and to the first.
const BETWEEN_FAULTS: usize = 30;

/// 1:1; now and then the picture before last is shown again, in turns instead of the next one and before it.
fn returns(frames: usize) -> Vec<u64> {
    let mut list: Vec<u64> = (0..frames as u64).collect();
    for (turn, place) in (BETWEEN_FAULTS..frames - 1).step_by(BETWEEN_FAULTS).enumerate() {
        let again = list[place - 2];
        match turn % 2 {
            0 => list[place] = again,
            _ => list.insert(place, again),
        }
    }
    list.truncate(frames);
    list
}

/// 1:1; now and then two pictures are swapped.
fn swaps(frames: usize) -> Vec<u64> {
    let mut list: Vec<u64> = (0..frames as u64).collect();
    (BETWEEN_FAULTS..frames - 2).step_by(BETWEEN_FAULTS).for_each(|place| list.swap(place, place + 1));
    list
}

/// Two frames of a picture, a mix, two frames of the next: 24 on 60 with one frame of every five mixed.
fn mixes_between_holds(frames: usize) -> Vec<Shown> {
    let five = |pair: u64| {
        let (first, second) = (2 * pair, 2 * pair + 1);
        let (held, next) = (Shown::Picture(first), Shown::Picture(second));
        [held, held, Shown::Mix { first, second, weight: 0.5 }, next, next]
    };
    (0..).flat_map(five).take(frames).collect()
}

/// 1:1 with stalls at random places.
fn stalls(frames: usize) -> Delivery {
    let stalls = schedule::scattered_stalls(frames, 40, 77);
    let list = schedule::stalled(&(0..frames as u64).collect::<Vec<_>>(), &stalls);
    Delivery { stalls, ..listed("stalls", &list, Some(&[1])) }
}

/// 2:3 for the first half, then 2:2: no pattern holds for most of it.
fn pattern_change(frames: usize) -> Delivery {
    let first = schedule::pattern(&[2, 3], frames / 10 * 5);
    let second = schedule::pattern(&[2], frames - first.len());
    listed("pattern-change", &schedule::joined(&first, &second), None)
}

/// 2:3 whose pattern is broken in three places by a hold of one frame.
fn breaks(frames: usize) -> Delivery {
    let quarter = schedule::pattern(&[2, 3], frames / 20 * 5);
    let mut list = quarter.clone();
    for _ in 0..3 {
        list = schedule::joined(&list, &[0]);
        list = schedule::joined(&list, &quarter);
    }
    list.truncate(frames);
    listed("breaks", &list, Some(&[2, 3]))
}

/// Rate conversion by weighted mixes: no frame is a repeat.
fn mixing(name: &'static str, source: &str, frames: usize) -> Delivery {
    let (source_rate, delivered_rate) = (rate(source), rate("60"));
    Delivery {
        name,
        delivered_rate,
        shown: schedule::mixed(source_rate, delivered_rate, frames),
        pattern: None,
        stalls: Vec::new(),
        long: false,
    }
}
