//! One event, one entry: what belongs together among the findings is one thing to whoever watches.

use crate::classify::FrameFlags;
use std::cmp::Ordering;

use super::{Aspect, Finding, FindingKind, Severity};
use crate::words::{counted, grouped, length};

/// What happened; the written names are in `audit.json` and never renamed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum EventKind {
    /// Every picture stays two frames or more.
    HalfRate,
    /// A picture stays far too long; pictures may be missing after it.
    Stall,
    /// Pictures are missing without a stall.
    Loss,
    /// Pictures stay longer or shorter than the pattern asks.
    UnevenHold,
    /// Two clocks part by a frame now and then.
    Slip,
    /// Pictures come in the wrong order.
    WrongOrder,
    /// Frames mix two pictures.
    Mix,
    /// Frames weave two moments.
    Combs,
    /// Frames are rebuilt from one field.
    OneField,
    /// Fields come in the wrong order.
    SwappedFields,
    /// Levels or colours are not the clip's.
    Levels,
    /// The picture is not in its place.
    Geometry,
    /// The recorder lost frames.
    Gap,
    /// The recording's times are uneven.
    Times,
}

impl EventKind {
    /// The flag of the frames that it is about, where single frames are marked.
    pub fn flag(self) -> Option<FrameFlags> {
        match self {
            Self::Loss => Some(FrameFlags::AFTER_DROP),
            Self::WrongOrder => Some(FrameFlags::OUT_OF_ORDER),
            Self::Mix => Some(FrameFlags::BLEND),
            Self::Combs => Some(FrameFlags::COMBED),
            Self::OneField => Some(FrameFlags::ONE_FIELD),
            _ => None,
        }
    }

    /// Every kind with its written name and its name for reading.
    pub const NAMES: [(Self, &'static str, &'static str); 14] = [
        (Self::HalfRate, "half-rate", "half rate"),
        (Self::Stall, "stall", "stall"),
        (Self::Loss, "loss", "loss"),
        (Self::UnevenHold, "uneven-hold", "uneven hold"),
        (Self::Slip, "slip", "clock slip"),
        (Self::WrongOrder, "wrong-order", "wrong order"),
        (Self::Mix, "mix", "mixed pictures"),
        (Self::Combs, "combs", "combed pictures"),
        (Self::OneField, "one-field", "one field only"),
        (Self::SwappedFields, "swapped-fields", "fields swapped"),
        (Self::Levels, "levels", "levels"),
        (Self::Geometry, "geometry", "geometry"),
        (Self::Gap, "gap", "gap in the recording"),
        (Self::Times, "times", "uneven times"),
    ];

    fn row(self) -> &'static (Self, &'static str, &'static str) {
        // Every kind has its row, which a test holds.
        Self::NAMES.iter().find(|(kind, ..)| *kind == self).unwrap_or(&Self::NAMES[0])
    }

    /// The name written to files.
    pub fn name(self) -> &'static str {
        self.row().1
    }

    /// The name for reading.
    pub fn title(self) -> &'static str {
        self.row().2
    }

    /// The kind with this written name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::NAMES.iter().find(|(_, known, _)| *known == name).map(|&(kind, ..)| kind)
    }
}

/// One thing that happened, whatever findings speak of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// From 1, in the order of time.
    pub number: u32,
    /// What happened.
    pub kind: EventKind,
    /// That of its most severe finding.
    pub severity: Severity,
    /// First frame it shows in.
    pub first_frame: u64,
    /// Last frame it shows in, inclusive.
    pub last_frame: u64,
    /// Time of the first frame from the start of the capture, seconds.
    pub time_s: f64,
    /// How long it lasts, ms; of a stall, how long the picture stays.
    pub duration_ms: f64,
    /// Pictures that are missing in it, as far as that is known.
    pub lost_pictures: u64,
    /// What happened with numbers, without the name of its kind.
    pub text: String,
}

impl Event {
    /// The event in a line: `stall: one picture for 200 ms, then 11 missing`.
    pub fn line(&self) -> String {
        format!("{}: {}", self.kind.title(), self.text)
    }

    /// How bad it is among others: larger is worse.
    fn weight(&self) -> (Severity, u64, f64) {
        (
            self.severity,
            u64::from(self.kind == EventKind::HalfRate),
            self.duration_ms.round() + MISSING_PICTURE_MS * self.lost_pictures as f64,
        )
    }
}

/// What one missing picture weighs against a stall of so many ms: at the usual rates as long as it would have stayed.
const MISSING_PICTURE_MS: f64 = 16.0;

/// How two events stand: the worse one is greater, of equally bad ones the earlier.
pub fn rank(one: &Event, other: &Event) -> Ordering {
    let by_weight = one.weight().partial_cmp(&other.weight()).unwrap_or(Ordering::Equal);
    by_weight.then(other.number.cmp(&one.number))
}

/// The worst event: of equally bad ones the first.
pub fn worst(events: &[Event]) -> Option<&Event> {
    events.iter().max_by(|one, other| rank(one, other))
}

/// What the events of an audit are gathered by, besides its findings.
#[derive(Clone, Copy, Debug)]
pub struct Around<'a> {
    /// Frames of the capture.
    pub frames: u64,
    /// First frames of the holds that slip.
    pub slips: &'a [u64],
    /// Frames before which pictures are missing, in order.
    pub drops: &'a [u64],
    /// Whether missing pictures are counted in the clip, and not told by the motion.
    pub is_counted: bool,
}

/// Gathers findings into events and tells each finding the number of its event.
pub fn gather(findings: &mut [Finding], around: &Around<'_>) -> Vec<Event> {
    let mut groups = groups(findings, around);
    groups.sort_by_key(|group| {
        let of = |place: &usize| (findings[*place].first_frame, findings[*place].kind);
        group.iter().map(of).min()
    });
    let mut events = Vec::with_capacity(groups.len());
    for (number, group) in (1..).zip(groups) {
        let members: Vec<&Finding> = group.iter().map(|&place| &findings[place]).collect();
        events.push(event(number, &members, around));
        group.iter().for_each(|&place| findings[place].event = Some(number));
    }
    events
}

/// Places of findings that belong together.
fn groups(findings: &[Finding], around: &Around<'_>) -> Vec<Vec<usize>> {
    let is_throughout =
        |one: &Finding| one.first_frame == 0 && one.last_frame.saturating_add(1) >= around.frames;
    let (mut throughout, mut slipping, mut disturbed, mut groups) = (vec![], vec![], vec![], vec![]);
    for (place, one) in findings.iter().enumerate() {
        let of_motion = matches!(
            one.kind,
            FindingKind::CadenceBreak | FindingKind::Freeze | FindingKind::DroppedPictures
        );
        match one.kind {
            FindingKind::HalfRateMotion => throughout.push(place),
            FindingKind::DroppedPictures if is_throughout(one) => throughout.push(place),
            FindingKind::RateSlip => slipping.push(place),
            _ if of_motion && around.slips.binary_search(&one.first_frame).is_ok() => slipping.push(place),
            _ if of_motion => disturbed.push(place),
            _ => groups.push(vec![place]),
        }
    }
    disturbed.sort_by_key(|&place| (findings[place].first_frame, findings[place].last_frame));
    let mut end = None;
    for place in disturbed {
        let one = &findings[place];
        match groups.last_mut().filter(|_| end.is_some_and(|end| one.first_frame <= end)) {
            Some(group) => group.push(place),
            None => groups.push(vec![place]),
        }
        // What is missing after a picture shows in the frame after its last.
        end = end.max(Some(one.last_frame.saturating_add(1)));
    }
    groups.extend([throughout, slipping].into_iter().filter(|group| !group.is_empty()));
    groups
}

/// The event that these findings speak of, of which there is at least one.
fn event(number: u32, members: &[&Finding], around: &Around<'_>) -> Event {
    let of_kind = |kind: FindingKind| members.iter().copied().find(|one| one.kind == kind);
    let main = [
        FindingKind::HalfRateMotion,
        FindingKind::RateSlip,
        FindingKind::Freeze,
        FindingKind::DroppedPictures,
    ];
    let main = main.into_iter().find_map(of_kind).unwrap_or(members[0]);
    let first_frame = members.iter().map(|one| one.first_frame).min().unwrap_or_default();
    let last_frame = members.iter().map(|one| one.last_frame).max().unwrap_or_default();
    let time_s = members.iter().map(|one| one.time_s).fold(f64::INFINITY, f64::min);
    let end_s = members.iter().map(|one| one.time_s + one.duration_ms / 1000.0).fold(time_s, f64::max);
    let lost = members.iter().filter(|one| one.kind == FindingKind::DroppedPictures).map(|one| one.count);
    let stalls = Stalls::of(members);
    let mut event = Event {
        number,
        kind: main.kind.event(),
        severity: members.iter().map(|one| one.severity).max().unwrap_or(Severity::Info),
        first_frame,
        last_frame,
        time_s,
        duration_ms: stalls.map_or(1000.0 * (end_s - time_s), |stalls| stalls.longest_ms),
        lost_pictures: lost.sum(),
        text: main.text.clone(),
    };
    match (event.kind, stalls) {
        (EventKind::Stall, Some(stalls)) => event.text = stalls.text(event.lost_pictures, around.is_counted),
        (EventKind::Loss, _) if first_frame > 0 => {
            let within = first_frame..=last_frame;
            let places = around.drops.iter().filter(|frame| within.contains(frame)).count() as u64;
            event.text = missing((event.lost_pictures, places), around.is_counted)
        }
        _ => {}
    }
    event
}

/// The freezes of one event.
#[derive(Clone, Copy)]
struct Stalls {
    count: u64,
    longest_ms: f64,
}

impl Stalls {
    fn of(members: &[&Finding]) -> Option<Self> {
        let freezes = members.iter().filter(|one| one.kind == FindingKind::Freeze);
        let (count, longest_ms) =
            freezes.fold((0, 0.0), |(count, longest), one| (count + 1, one.duration_ms.max(longest)));
        (count > 0).then_some(Self { count, longest_ms })
    }

    fn text(self, lost: u64, is_counted: bool) -> String {
        let about = if is_counted { "" } else { "about " };
        let long = length(self.longest_ms);
        match (self.count, lost) {
            (1, 0) => format!("one picture for {long}"),
            (1, lost) => format!("one picture for {long}, then {about}{} missing", grouped(lost)),
            (count, 0) => {
                format!("{} stay too long, the longest for {long}", counted(count, "picture"))
            }
            (count, lost) => format!(
                "{} stay too long, the longest for {long}; {about}{} missing",
                counted(count, "picture"),
                grouped(lost)
            ),
        }
    }
}

/// `about 3 pictures missing`, `5 pictures missing in 2 places`.
fn missing((lost, places): (u64, u64), is_counted: bool) -> String {
    let about = if is_counted { "" } else { "about " };
    let places = match places {
        0 | 1 => String::new(),
        places => format!(" in {}", counted(places, "place")),
    };
    format!("{about}{} missing{places}", counted(lost, "picture"))
}

/// The aspect that an event speaks of.
pub(super) fn aspect_of(kind: EventKind) -> Aspect {
    match kind {
        EventKind::HalfRate
        | EventKind::Stall
        | EventKind::Loss
        | EventKind::UnevenHold
        | EventKind::Slip => Aspect::Motion,
        EventKind::WrongOrder => Aspect::Order,
        EventKind::Mix => Aspect::Mixing,
        EventKind::Combs | EventKind::OneField | EventKind::SwappedFields => Aspect::Fields,
        EventKind::Levels => Aspect::Levels,
        EventKind::Geometry => Aspect::Geometry,
        EventKind::Gap | EventKind::Times => Aspect::Timing,
    }
}
