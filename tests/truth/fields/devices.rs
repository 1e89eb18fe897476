//! Devices: what each delivers of a clip, frame by frame, and the outcome that names it.

use super::picture::Parity;
use super::shown::Shown;

/// How many frames the capture has per moment of the clip.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameRate {
    /// As many frames as fields.
    Fields,
    /// A frame for two fields.
    Frames,
    /// Film pictures one by one: 24000/1001 where there are 60000/1001 fields.
    Film,
}

/// What is inside the frames of a capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scan {
    Progressive,
    /// Two fields, this one first.
    Interlaced(Parity),
    /// Two fields, the top one first, and the other order from this frame on.
    TurnsAt(usize),
}

impl Scan {
    pub fn name(self) -> &'static str {
        match self {
            Self::Progressive => "progressive",
            Self::Interlaced(Parity::Top) => "tff",
            Self::Interlaced(Parity::Bottom) => "bff",
            Self::TurnsAt(_) => "mixed",
        }
    }
}

/// A deinterlacer from a general-purpose library between the interlaced signal and the capture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Deinterlacer {
    /// Filter with its options.
    pub filter: &'static str,
    /// Order in which the signal really has its fields.
    pub order: Parity,
}

/// A row of the table of outcomes, as one device delivers it.
#[derive(Clone, Debug)]
pub struct Device {
    pub name: &'static str,
    /// Written names of the outcomes that are right, the best first.
    pub outcomes: &'static [&'static str],
    pub frame_rate: FrameRate,
    pub shown: Vec<Shown>,
    /// Order of the fields in time, as the samples have it.
    pub scan: Scan,
    /// What the stream's flags say, where that is something else.
    pub flagged: Scan,
    pub deinterlacer: Option<Deinterlacer>,
    /// Moments per film picture repeat: holds in fields, where the clip is film in fields.
    pub field_holds: Option<&'static [u32]>,
    /// Holds in frames of the capture; `None` where nothing is to be said.
    pub frame_holds: Option<&'static [u32]>,
    /// Fields (counted from 0) with which the field cadence breaks.
    pub field_breaks: Vec<usize>,
}

impl Device {
    fn new(name: &'static str, outcomes: &'static [&'static str], shown: Vec<Shown>) -> Self {
        Self {
            name,
            outcomes,
            frame_rate: FrameRate::Fields,
            shown,
            scan: Scan::Progressive,
            flagged: Scan::Progressive,
            deinterlacer: None,
            field_holds: None,
            frame_holds: None,
            field_breaks: Vec::new(),
        }
    }

    fn holds(self, holds: &'static [u32]) -> Self {
        Self { frame_holds: Some(holds), ..self }
    }

    fn interlaced(self, first: Parity) -> Self {
        let scan = Scan::Interlaced(first);
        Self { frame_rate: FrameRate::Frames, scan, flagged: scan, ..self }
    }

    fn flagged(self, flagged: Scan) -> Self {
        Self { flagged, ..self }
    }

    fn field_holds(self, holds: &'static [u32]) -> Self {
        Self { field_holds: Some(holds), ..self }
    }

    fn by(self, filter: &'static str) -> Self {
        Self { deinterlacer: Some(Deinterlacer { filter, order: Parity::Top }), ..self }
    }

    /// Fields per second where the device has its own, whatever the clip's moments are: film comes in 59.94 fields
    /// per second, or in 50.
    pub fn field_rate(&self) -> Option<(u64, u64)> {
        match self.name {
            "film-24-in-50" => Some((50, 1)),
            name if name.starts_with("film-") => Some((60_000, 1001)),
            _ => None,
        }
    }

    /// Fields in the order of time, with their moments, of an interlaced capture.
    pub fn fields(&self) -> Vec<(Parity, usize)> {
        let first_of = |frame: usize| match self.scan {
            Scan::Progressive => None,
            Scan::Interlaced(first) => Some(first),
            Scan::TurnsAt(turn) => Some(if frame < turn { TOP } else { BOTTOM }),
        };
        let in_order = |(frame, shown): (usize, &Shown)| {
            let (top, bottom) = shown.moments();
            let of = |parity| (parity, if parity == TOP { top } else { bottom });
            first_of(frame).map(|first| [of(first), of(first.other())])
        };
        self.shown.iter().enumerate().filter_map(in_order).flatten().collect()
    }
}

const TOP: Parity = Parity::Top;
const BOTTOM: Parity = Parity::Bottom;

/// Holds of film pictures in fields, and the place in the clip where each field's picture stands.
fn film_moments(holds: &[u32], fields: usize) -> Vec<usize> {
    let runs = holds.iter().cycle().enumerate();
    let moments = runs.flat_map(|(picture, &hold)| std::iter::repeat_n(picture, hold as usize));
    moments.take(fields).collect()
}

/// Frames of two fields each from a list with a moment per field.
fn paired(fields: &[usize], first: Parity) -> Vec<Shown> {
    let weave = |pair: &[usize]| match first {
        Parity::Top => Shown::Woven { top: pair[0], bottom: pair[1] },
        Parity::Bottom => Shown::Woven { top: pair[1], bottom: pair[0] },
    };
    fields.chunks_exact(2).map(weave).collect()
}

fn twice(list: impl Iterator<Item = Shown>) -> Vec<Shown> {
    list.flat_map(|shown| [shown, shown]).collect()
}

/// 24 pictures in 50 fields: eleven pictures of two fields, one of three.
const FILM_IN_50: [u32; 12] = [2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 2, 3];

/// Every device, for captures of a clip that has `moments` field periods (an even number).
pub fn all(moments: usize) -> Vec<Device> {
    let mut devices = full(moments);
    devices.extend(half_rate(moments));
    devices.extend(one_field(moments));
    devices.extend(wrong_order(moments));
    devices.extend(passed_on(moments));
    devices.extend(film_restored(moments));
    devices.extend(film_passed_on(moments));
    devices.extend(chroma(moments));
    devices
}

/// Devices for contents that look like a fault: all they deliver is faultless.
pub fn faultless(moments: usize) -> Vec<Device> {
    let kept = ["pictures", "pictures-twice", "film-2-3-frames", "film-24p", "pictures-444"];
    all(moments).into_iter().filter(|device| kept.contains(&device.name)).collect()
}

const FULL: &[&str] = &["every-field-a-picture"];
/// Deinterlacing may leave no trace.
const FULL_OR_UNTOLD: &[&str] = &["every-field-a-picture", "none"];
/// Whole pictures, of which nobody says that they were fields.
const UNASKED: &[&str] = &["none"];

fn full(moments: usize) -> Vec<Device> {
    let rebuilt: Vec<Shown> = (0..moments).map(Shown::Rebuilt).collect();
    let bob = (0..moments).map(|moment| Shown::OneField { moment, kept: TOP.after(moment) });
    vec![
        Device::new("pictures", UNASKED, (0..moments).map(Shown::Whole).collect()).holds(&[1]),
        Device::new("bob", FULL, bob.collect()).holds(&[1]),
        Device::new("bwdif", FULL_OR_UNTOLD, rebuilt.clone())
            .holds(&[1])
            .by("bwdif=mode=send_field:parity=tff:deint=all"),
        Device::new("w3fdif", FULL_OR_UNTOLD, rebuilt)
            .holds(&[1])
            .by("w3fdif=filter=complex:mode=field:parity=tff:deint=all"),
    ]
}

fn half_rate(moments: usize) -> Vec<Device> {
    let frames = || (0..moments).step_by(2);
    let woven = paired(&(0..moments).collect::<Vec<_>>(), TOP);
    let mean = frames().map(|moment| Shown::Mean { top: moment, bottom: moment + 1 });
    vec![
        Device::new("pictures-twice", UNASKED, twice(frames().map(Shown::Whole))).holds(&[2]),
        Device::new("bwdif-twice", &["half-rate", "none"], twice(frames().map(Shown::Rebuilt)))
            .holds(&[2])
            .by("bwdif=mode=send_frame:parity=tff:deint=all"),
        Device::new("weave-twice", &["combed-half-rate"], twice(woven.into_iter())).holds(&[2]),
        Device::new("mean-twice", &["averaged-fields"], twice(mean)).holds(&[2]),
    ]
}

fn one_field(moments: usize) -> Vec<Device> {
    let kept_top = (0..moments).step_by(2).map(|moment| Shown::OneField { moment, kept: TOP });
    let kept_bottom = (1..moments).step_by(2).map(|moment| Shown::OneField { moment, kept: BOTTOM });
    let smooth = (1..moments).step_by(2).map(|moment| Shown::OneFieldSmooth { moment, kept: BOTTOM });
    let doubled_top = (0..moments).step_by(2).map(|moment| Shown::Doubled { moment, kept: TOP });
    let doubled = (0..moments).map(|moment| Shown::Doubled { moment, kept: TOP.after(moment) });
    vec![
        Device::new("top-field-twice", &["one-field"], twice(kept_top)).holds(&[2]),
        Device::new("bottom-field-twice", &["one-field"], twice(kept_bottom)).holds(&[2]),
        Device::new("bottom-field-smooth-twice", &["one-field"], twice(smooth)).holds(&[2]),
        Device::new("top-field-doubled-twice", &["one-field"], twice(doubled_top)).holds(&[2]),
        Device::new("lines-doubled", &["line-bobbing"], doubled.collect()).holds(&[1]),
    ]
}

/// Every pair of neighbours swapped.
fn swapped(moments: usize) -> impl Iterator<Item = usize> {
    (0..moments).map(|place| place ^ 1)
}

fn wrong_order(moments: usize) -> Vec<Device> {
    let bob = swapped(moments).map(|moment| Shown::OneField { moment, kept: TOP.after(moment) });
    let rebuilt = swapped(moments).map(Shown::Rebuilt).collect();
    let in_order: Vec<usize> = (0..moments).collect();
    const OUTCOMES: &[&str] = &["swapped-fields"];
    // The samples are in order, only the flags are not: both names are true of it.
    const FLAGS: &[&str] = &["swapped-fields", "interlaced"];
    vec![
        Device::new("bob-wrong-order", OUTCOMES, bob.collect()),
        Device::new("bwdif-wrong-order", OUTCOMES, rebuilt).by("bwdif=mode=send_field:parity=bff:deint=all"),
        Device::new("tff-flagged-bff", FLAGS, paired(&in_order, TOP))
            .interlaced(TOP)
            .flagged(Scan::Interlaced(BOTTOM)),
        Device::new("bff-flagged-tff", FLAGS, paired(&in_order, BOTTOM))
            .interlaced(BOTTOM)
            .flagged(Scan::Interlaced(TOP)),
    ]
}

fn passed_on(moments: usize) -> Vec<Device> {
    let fields: Vec<usize> = (0..moments).collect();
    const OUTCOMES: &[&str] = &["interlaced"];
    let device =
        |name, first| Device::new(name, OUTCOMES, paired(&fields, first)).interlaced(first).field_holds(&[1]);
    vec![
        device("tff", TOP),
        device("bff", BOTTOM),
        device("tff-unflagged", TOP).flagged(Scan::Progressive),
        segmented(moments),
        turning(moments),
        partly_segmented(moments),
    ]
}

/// An edit joins a part whose top field is first and one whose bottom field is.
fn turning(moments: usize) -> Device {
    let turn = moments / 4;
    let in_order: Vec<usize> = (0..moments).collect();
    let mut shown = paired(&in_order[..turn * 2], TOP);
    shown.extend(paired(&in_order[turn * 2..], BOTTOM));
    let device = Device::new("tff-then-bff", &["interlaced"], shown).interlaced(TOP);
    Device { scan: Scan::TurnsAt(turn), ..device }
}

/// The first half has two moments per frame, the second one.
fn partly_segmented(moments: usize) -> Device {
    let half = moments / 4 * 2;
    let fields: Vec<usize> =
        (0..moments).map(|field| if field < half { field } else { field / 2 * 2 }).collect();
    Device::new("tff-then-segmented", &["interlaced"], paired(&fields, TOP)).interlaced(TOP)
}

/// Both fields of a frame show one moment. The samples cannot say that they were sent as fields.
fn segmented(moments: usize) -> Device {
    const OUTCOMES: &[&str] = &["interlaced", "half-rate", "film-pulldown"];
    let pictures: Vec<usize> = (0..moments).map(|field| field / 2).collect();
    let device = Device::new("segmented", OUTCOMES, paired(&pictures, TOP)).interlaced(TOP);
    Device { scan: Scan::Progressive, ..device.field_holds(&[2]).holds(&[1]) }
}

fn film_restored(moments: usize) -> Vec<Device> {
    let fields = film_moments(&[2, 3], moments);
    let frames: Vec<Shown> = fields.iter().map(|&picture| Shown::Whole(picture)).collect();
    // The middle third weaves the two newest fields, whatever picture they belong to.
    let unlocked = moments / 3..moments / 3 * 2;
    let lost = (0..moments).map(|place| match unlocked.contains(&place) {
        true if TOP.after(place) == TOP => Shown::Woven { top: fields[place], bottom: fields[place - 1] },
        true => Shown::Woven { top: fields[place - 1], bottom: fields[place] },
        false => Shown::Whole(fields[place]),
    });
    let plain = (0..moments * 2 / 5).map(Shown::Whole);
    vec![
        Device::new("film-2-3-frames", UNASKED, frames).holds(&[2, 3]),
        Device {
            frame_rate: FrameRate::Film,
            ..Device::new("film-24p", UNASKED, plain.collect()).holds(&[1])
        },
        Device::new("film-lock-lost", &["film-lock-lost"], lost.map(same_moment_is_whole).collect()),
    ]
}

/// Two fields of one moment are a whole picture.
fn same_moment_is_whole(shown: Shown) -> Shown {
    match shown {
        Shown::Woven { top, bottom } if top == bottom => Shown::Whole(top),
        other => other,
    }
}

fn film_passed_on(moments: usize) -> Vec<Device> {
    const OUTCOMES: &[&str] = &["film-pulldown"];
    let device = |name, holds: &'static [u32], first| {
        let shown = paired(&film_moments(holds, moments), first);
        Device::new(name, OUTCOMES, shown).interlaced(first).field_holds(holds)
    };
    let kept_by_bob = film_moments(&[2, 3], moments).into_iter().enumerate();
    let bob = kept_by_bob.map(|(place, moment)| Shown::OneField { moment, kept: TOP.after(place) });
    let woven = paired(&film_moments(&[2, 3], moments), TOP);
    vec![
        device("film-2-3", &[2, 3], TOP),
        device("film-2-3-bff", &[2, 3], BOTTOM),
        device("film-3-2", &[3, 2], TOP),
        device("film-2-3-3-2", &[2, 3, 3, 2], TOP),
        device("film-2-2-2-4", &[2, 2, 2, 4], TOP),
        device("film-24-in-50", &FILM_IN_50, TOP),
        with_breaks(moments),
        Device::new("film-bob", &["film-pulldown", "every-field-a-picture"], bob.collect()),
        Device::new("film-weave-twice", &["film-pulldown", "combed-half-rate"], twice(woven.into_iter())),
    ]
}

/// 2:3 in fields, out of which a field was cut in two places.
fn with_breaks(moments: usize) -> Device {
    let mut fields = film_moments(&[2, 3], moments + 2);
    // Places where a picture of two fields would have its second: it stays for one field only.
    let cuts = [moments / 3, moments * 2 / 3].map(|near| near / 5 * 5 + 1);
    fields.remove(cuts[1]);
    fields.remove(cuts[0]);
    let shown = paired(&fields, TOP);
    let device =
        Device::new("film-2-3-breaks", &["film-pulldown"], shown).interlaced(TOP).field_holds(&[2, 3]);
    // The first field after each cut, where the next picture comes too early.
    Device { field_breaks: vec![cuts[0], cuts[1] - 1], ..device }
}

fn chroma(moments: usize) -> Vec<Device> {
    const OUTCOMES: &[&str] = &["chroma-combing"];
    let other = |moment: usize| moment.checked_sub(1).unwrap_or(1);
    let woven = (0..moments).map(|moment| Shown::ChromaWoven {
        luma: moment,
        other: other(moment),
        kept: TOP.after(moment),
    });
    let raised = (0..moments).map(|moment| Shown::ChromaRaised {
        luma: moment,
        other: other(moment),
        kept: TOP.after(moment),
    });
    vec![
        Device::new("chroma-woven", OUTCOMES, woven.collect()).holds(&[1]),
        Device::new("chroma-raised-as-frames", OUTCOMES, raised.collect()).holds(&[1]),
        Device::new("pictures-444", UNASKED, (0..moments).map(Shown::WholeRaised).collect()).holds(&[1]),
    ]
}
