//! Classes, order, losses and mixes from the places of the frames. Pure.

use super::{SourceOrigin, SourcePlace, SourceTrack};
use crate::classify::{ClassifiedFrame, Evidence, FrameClass, FrameFlags};
use crate::units::Rate;

/// Confidence from which calls that were made without the clip stand against what places tell.
#[derive(Clone, Copy, Debug)]
pub struct Standing {
    /// For frames called new.
    pub new_from: f32,
    /// For frames called a repeat; a digest stands always.
    pub repeat_from: f32,
    /// Confidence of a class that places tell.
    pub told: f32,
}

impl Standing {
    /// Against places that are exact: only a mix that signatures cannot tell from the picture itself.
    pub const EXACT: Self = Self { new_from: 0.9995, repeat_from: f32::INFINITY, told: 0.99 };
    /// Against places of a recording with errors: the calls go by whole pictures, places by a few cells (the alignment
    /// bench: of 72 perfect deliveries of three real clips 5 are accused without the clip, 19 where places overrule calls).
    pub const WITH_ERRORS: Self = Self { new_from: 0.95, repeat_from: 0.95, told: 0.85 };
}

/// Mixes of the same two pictures are the same picture where their weights differ by less than this. Choice: half
/// the smallest step of the usual rate pairs.
const SAME_MIX: f32 = 0.08;

/// Pictures that the device may go back and be out of order; farther back it plays the clip again. Choice: a
/// quarter of a second at 60 pictures per second.
const OUT_OF_ORDER_UP_TO: u32 = 16;

/// Frames within which a skipped picture may still come, out of order.
const LATE_UP_TO: usize = 8;

/// Frames that a still stretch may last longer than the clip's own before the device is said to have frozen: one
/// picture may be cut at each end.
const STILL_EXTRA: f64 = 2.0;

/// Frames on either side of a fault, and the share of them that must be placed within two pictures: two turns of 3:2, and
/// three in four. Choice, by one painted face that nods; judged on the losses of twelve real clips, of which none went.
const KNOWN_AROUND: usize = 12;
const KNOWN_SHARE: f64 = 0.75;

/// What classes are settled with.
#[derive(Clone, Copy, Debug)]
pub struct Settling<'a> {
    /// Places of the frames.
    pub track: &'a SourceTrack,
    /// Whether each picture of the clip repeats the one before by itself; may be shorter, the rest does not.
    pub own_repeats: &'a [bool],
    /// Frames per second of the capture.
    pub delivered_rate: Rate,
    /// Which calls stand.
    pub standing: Standing,
    /// In a recording with errors, whether each frame shows another picture than the one before, where that is sure without
    /// the clip; empty where places are exact.
    pub moves: &'a [Option<bool>],
}

/// Sets class, order, losses and mixes of every frame whose place is known. Never makes a frame new whose digest is
/// that of the frame before.
///
/// Returns the number of still frames of which it is not known whether the clip stands still.
pub fn settle(frames: &mut [ClassifiedFrame], settling: Settling<'_>) -> u64 {
    let places = &settling.track.places;
    let count = frames.len().min(places.len());
    let frames = &mut frames[..count];
    settling.classes(frames);
    settling.still_of_the_clip(frames);
    settling.mixes(frames);
    settling.order(frames);
    let (mut before, mut still_in_clip, mut open) = (None, false, 0);
    for (frame, &place) in frames.iter().zip(places) {
        // Frames of a still stretch all have the same, perhaps very long, range.
        if before != Some(place) {
            still_in_clip = settling.is_still_in_clip(place);
            before = Some(place);
        }
        open += u64::from(frame.class == FrameClass::Still && !still_in_clip);
    }
    open
}

/// First and last picture that a place may be.
pub(super) fn range(place: SourcePlace) -> Option<(u32, u32)> {
    match place {
        SourcePlace::Unknown => None,
        SourcePlace::Picture(picture) => Some((picture, picture)),
        SourcePlace::Mix { first, second, .. } | SourcePlace::Woven { first, second } => {
            Some((first.min(second), first.max(second)))
        }
        SourcePlace::Ambiguous { first, last } => Some((first, last)),
    }
}

/// Whether two places show the same; `None` where that is not known.
fn same(before: SourcePlace, now: SourcePlace) -> Option<bool> {
    match (before, now) {
        (SourcePlace::Picture(a), SourcePlace::Picture(b)) => Some(a == b),
        (
            SourcePlace::Mix { first, second, weight },
            SourcePlace::Mix { first: other, second: next, weight: turned },
        ) => Some((first, second) == (other, next) && (weight - turned).abs() < SAME_MIX),
        (SourcePlace::Woven { first, second }, SourcePlace::Woven { first: other, second: next }) => {
            Some((first, second) == (other, next))
        }
        (
            SourcePlace::Mix { .. } | SourcePlace::Woven { .. },
            SourcePlace::Picture(_) | SourcePlace::Woven { .. },
        )
        | (
            SourcePlace::Picture(_) | SourcePlace::Woven { .. },
            SourcePlace::Mix { .. } | SourcePlace::Woven { .. },
        ) => Some(false),
        _ => {
            let ((from, to), (low, high)) = (range(before)?, range(now)?);
            (to < low || high < from).then_some(false)
        }
    }
}

impl Settling<'_> {
    fn evidence(&self) -> Evidence {
        match self.track.origin {
            SourceOrigin::Reference => Evidence::Reference,
            SourceOrigin::Marks => Evidence::Mark,
        }
    }

    /// Pictures of the clip per frame.
    fn advance(&self) -> f64 {
        self.track.clip_rate.hz() / self.delivered_rate.hz()
    }

    /// Whether the clip stands still by itself over all pictures that a place may be.
    fn is_still_in_clip(&self, place: SourcePlace) -> bool {
        match place {
            SourcePlace::Ambiguous { first, last } => {
                (first + 1..=last).all(|picture| self.own_repeats.get(picture as usize) == Some(&true))
            }
            SourcePlace::Picture(picture) => self.is_end(picture),
            _ => false,
        }
    }

    /// Whether a picture stands for as long as the device likes: the clip begins or ends with it.
    fn is_end(&self, picture: u32) -> bool {
        picture == 0 || self.track.clip_length.is_some_and(|length| u64::from(picture) + 1 >= length)
    }

    fn classes(&self, frames: &mut [ClassifiedFrame]) {
        let steps = self.track.places.windows(2).map(|pair| (pair[0], pair[1]));
        for (frame, (before, now)) in frames.iter_mut().skip(1).zip(steps) {
            let Some(same) = same(before, now) else { continue };
            let standing = matches!(now, SourcePlace::Picture(picture) if self.is_end(picture));
            let class = match (same, standing) {
                (false, _) => FrameClass::New,
                (true, true) => FrameClass::Still,
                (true, false) => FrameClass::Repeat,
            };
            let proven = frame.evidence == Evidence::Digest;
            if class == FrameClass::New && proven && frame.class != FrameClass::New {
                continue;
            }
            let stands = match (frame.class == FrameClass::New, class == FrameClass::New) {
                (true, false) => frame.confidence >= self.standing.new_from,
                (false, true) => frame.confidence >= self.standing.repeat_from,
                _ => false,
            };
            if stands {
                // What two kinds of evidence call differently is as open as the weaker one.
                frame.confidence = frame.confidence.min(self.standing.told);
                continue;
            }
            if (frame.class == FrameClass::New) == (class == FrameClass::New) {
                frame.confidence = frame.confidence.max(self.standing.told);
            } else {
                // How sure the call was speaks against the place.
                frame.confidence = self.standing.told;
            }
            if frame.class != class {
                frame.class = class;
                if !proven {
                    frame.evidence = self.evidence();
                }
            }
        }
    }

    /// Repeats where the clip itself stands still are the clip's own, up to as many frames as it stands.
    fn still_of_the_clip(&self, frames: &mut [ClassifiedFrame]) {
        let places = &self.track.places;
        let mut index = 0;
        while index < frames.len() {
            let place = places[index];
            let end = (index..frames.len()).find(|&at| places[at] != place).unwrap_or(frames.len());
            if let (SourcePlace::Ambiguous { first, last }, true) = (place, self.is_still_in_clip(place)) {
                let open_end = self.is_end(first) || self.is_end(last);
                let own = (f64::from(last - first) + 1.0) / self.advance() + STILL_EXTRA;
                let own = if open_end { usize::MAX } else { own.ceil() as usize };
                for (at, frame) in frames[index..end].iter_mut().enumerate() {
                    if frame.class != FrameClass::New || at > 0 {
                        self.stand(frame, (at, own));
                    }
                }
            }
            index = end;
        }
    }

    /// The frame at place `at` of a stretch in which the clip stands for `own` frames.
    fn stand(&self, frame: &mut ClassifiedFrame, (at, own): (usize, usize)) {
        if frame.class == FrameClass::New && frame.evidence == Evidence::Measure {
            // Something changes that signatures do not show.
            return;
        }
        frame.class = if at < own { FrameClass::Still } else { FrameClass::Repeat };
        if frame.evidence != Evidence::Digest {
            frame.evidence = self.evidence();
        }
    }

    fn mixes(&self, frames: &mut [ClassifiedFrame]) {
        for (frame, &place) in frames.iter_mut().zip(&self.track.places) {
            match place {
                SourcePlace::Mix { weight, .. } => {
                    frame.flags.insert(FrameFlags::BLEND);
                    frame.blend_weight = weight;
                }
                SourcePlace::Picture(_) | SourcePlace::Woven { .. } => {
                    frame.flags.remove(FrameFlags::BLEND);
                    frame.blend_weight = 0.0;
                }
                _ => {}
            }
        }
    }

    /// Order and losses, by the newest picture shown so far.
    fn order(&self, frames: &mut [ClassifiedFrame]) {
        let places = &self.track.places;
        let mut seen = Seen::default();
        let mut newest: Option<(u32, usize)> = None;
        // The newest picture that was shown for sure: of a range that is its first one.
        let mut surely = 0;
        let known = self.known_around();
        for index in 0..frames.len() {
            let Some((low, high)) = range(places[index]) else { continue };
            let Some((newest_picture, since)) = newest else {
                seen.insert(low, high);
                newest = Some((high, index));
                surely = low;
                continue;
            };
            let frame = &mut frames[index];
            frame.flags.remove(FrameFlags::AFTER_DROP);
            frame.flags.remove(FrameFlags::OUT_OF_ORDER);
            (frame.lost_before, frame.lost_uncertainty) = (0, 0.0);
            if low > newest_picture && known[index] {
                let lost = self.lost(index, (newest_picture, low)).min(self.surely_lost(index));
                frame.lost_before = u16::try_from(lost).unwrap_or(u16::MAX);
                if lost > self.unavoidable(index - since) {
                    frame.flags.insert(FrameFlags::AFTER_DROP);
                }
                if frame.flags.contains(FrameFlags::AFTER_GAP) {
                    // What the recorder lost is no fault of the device.
                    frame.lost_before = 0;
                    frame.flags.remove(FrameFlags::AFTER_DROP);
                }
            }
            if high + OUT_OF_ORDER_UP_TO < newest_picture {
                // The clip is played again from an earlier place.
                seen = Seen::default();
                newest = Some((high, index));
                surely = low;
            } else if high < surely && known[index] && range(places[index - 1]) != Some((low, high)) {
                frame.flags.insert(FrameFlags::OUT_OF_ORDER);
                if !seen.contains(low) {
                    frames[index - 1].flags.insert(FrameFlags::OUT_OF_ORDER);
                }
            }
            surely = surely.max(low);
            if places[index - 1] != places[index] {
                seen.insert(low, high);
            }
            newest =
                newest.map(|(picture, since)| if high > picture { (high, index) } else { (picture, since) });
        }
    }

    /// Whether the places around each frame are known well enough for a fault of the device: where errors leave most of them
    /// open, what little is told may be another turn of a scene that comes again.
    fn known_around(&self) -> Vec<bool> {
        let places = &self.track.places;
        if self.moves.is_empty() {
            return vec![true; places.len()];
        }
        let is_told = |place: SourcePlace| {
            range(place).is_some_and(|(low, high)| high - low <= 1) || self.is_still_in_clip(place)
        };
        let mut told = vec![0; places.len() + 1];
        for (index, &place) in places.iter().enumerate() {
            told[index + 1] = told[index] + usize::from(is_told(place));
        }
        let known = |index: usize| {
            let around = index.saturating_sub(KNOWN_AROUND)..(index + KNOWN_AROUND + 1).min(places.len());
            (told[around.end] - told[around.start]) as f64 >= KNOWN_SHARE * around.len() as f64
        };
        (0..places.len()).map(known).collect()
    }

    /// Pictures between two that do not come soon after either.
    fn lost(&self, index: usize, (from, to): (u32, u32)) -> u64 {
        let places = &self.track.places;
        let soon = &places[index..places.len().min(index + LATE_UP_TO)];
        let between = from + 1..to;
        let mut late: Vec<u32> = soon
            .iter()
            .filter_map(|&place| range(place))
            .flat_map(|(low, high)| {
                low.max(between.start)..(high + 1).min(between.end).max(low.max(between.start))
            })
            .collect();
        late.sort_unstable();
        late.dedup();
        u64::from(between.end - between.start) - late.len() as u64
    }

    /// Most pictures that can be lost before a frame by the calls around: a recorder shows a frame early or late, so that one
    /// place alone is no evidence. From every frame around to beyond, the clip must have gone on by more pictures than there
    /// are frames that may show another one.
    fn surely_lost(&self, index: usize) -> u64 {
        if self.moves.is_empty() {
            return u64::MAX;
        }
        let places = &self.track.places;
        let around = index.saturating_sub(LATE_UP_TO)..places.len().min(index + LATE_UP_TO);
        let may_move = |frame: &usize| self.moves.get(*frame) != Some(&Some(false));
        let lost = |before: usize, after: usize| {
            let ((_, from), (to, _)) = (range(places[before])?, range(places[after])?);
            let shown = (before + 1..=after).filter(may_move).count() as u64;
            Some(u64::from(to.saturating_sub(from)).saturating_sub(shown))
        };
        let before = (around.start..index).filter_map(|before| lost(before, index));
        let after = (index..around.end).filter_map(|after| lost(index - 1, after));
        before.chain(after).min().unwrap_or(0)
    }

    /// Pictures that even a perfect device skips within so many frames: where the clip has more than the capture.
    fn unavoidable(&self, frames: usize) -> u64 {
        let pictures = self.advance() * frames as f64;
        if self.advance() > 1.0 + f64::EPSILON {
            (pictures.ceil() as u64).saturating_sub(1)
        } else {
            0
        }
    }
}

/// Which pictures were shown.
#[derive(Default)]
struct Seen(Vec<u64>);

impl Seen {
    fn insert(&mut self, first: u32, last: u32) {
        let words = last as usize / 64 + 1;
        if self.0.len() < words {
            self.0.resize(words, 0);
        }
        for picture in first..=last {
            self.0[picture as usize / 64] |= 1 << (picture % 64);
        }
    }

    fn contains(&self, picture: u32) -> bool {
        self.0.get(picture as usize / 64).is_some_and(|word| word >> (picture % 64) & 1 == 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alignment::SourceUnit;

    fn frame(class: FrameClass, evidence: Evidence) -> ClassifiedFrame {
        ClassifiedFrame {
            class,
            confidence: 0.9,
            evidence,
            change: 1.0,
            lost_before: 0,
            lost_uncertainty: 0.0,
            blend_weight: 0.0,
            flags: FrameFlags::default(),
            digest: [0; 32],
        }
    }

    fn picture(index: u32) -> SourcePlace {
        SourcePlace::Picture(index)
    }

    fn still(first: u32, last: u32) -> SourcePlace {
        SourcePlace::Ambiguous { first, last }
    }

    /// Settles frames that were all called new by measure, but the first, and gives them.
    fn settled(places: &[SourcePlace], own_repeats: &[bool], rates: (&str, &str)) -> Vec<ClassifiedFrame> {
        settled_from(places, own_repeats, rates, frame(FrameClass::New, Evidence::Cadence))
    }

    fn track(places: &[SourcePlace], clip_rate: &str) -> SourceTrack {
        SourceTrack {
            origin: SourceOrigin::Reference,
            unit: SourceUnit::Picture,
            clip_name: "clip".to_owned(),
            clip_rate: Rate::parse(clip_rate).unwrap(),
            clip_length: Some(1000),
            first_field: None,
            places: places.to_vec(),
        }
    }

    fn settled_from(
        places: &[SourcePlace],
        own_repeats: &[bool],
        (clip, delivered): (&str, &str),
        one: ClassifiedFrame,
    ) -> Vec<ClassifiedFrame> {
        let track = track(places, clip);
        let mut frames = vec![one; places.len()];
        frames[0] = frame(FrameClass::New, Evidence::Measure);
        let delivered_rate = Rate::parse(delivered).unwrap();
        settle(
            &mut frames,
            Settling { track: &track, own_repeats, delivered_rate, standing: Standing::EXACT, moves: &[] },
        );
        frames
    }

    fn classes(frames: &[ClassifiedFrame]) -> String {
        frames.iter().map(|frame| frame.class.name().chars().next().unwrap()).collect()
    }

    #[test]
    fn places_settle_classes() {
        let mix = |weight| SourcePlace::Mix { first: 7, second: 8, weight };
        for (name, places, expected) in [
            ("each its own", vec![picture(5), picture(6), picture(7)], "nnn"),
            ("twice each", vec![picture(5), picture(5), picture(6), picture(6)], "nrnr"),
            (
                "a mix is new, and its repeat a repeat",
                vec![picture(7), mix(0.4), mix(0.41), picture(8)],
                "nnrn",
            ),
            ("weights that differ are pictures that differ", vec![mix(0.2), mix(0.5)], "nn"),
            ("the last picture may stand", vec![picture(998), picture(999), picture(999)], "nns"),
        ] {
            assert_eq!(classes(&settled(&places, &[], ("60", "60"))), expected, "{name}");
        }
    }

    #[test]
    fn nothing_stands_against_equal_digests() {
        let one = frame(FrameClass::Repeat, Evidence::Digest);
        let frames = settled_from(&[picture(5), picture(6)], &[], ("60", "60"), one);
        assert_eq!(classes(&frames), "nr");
        assert_eq!(frames[1].evidence, Evidence::Digest);
    }

    #[test]
    fn where_the_clip_stands_the_device_does_not_freeze() {
        // Pictures 10 to 19 are the same by the clip itself: ten frames are its own, and two may be cut.
        let own: Vec<bool> = (0..30).map(|picture| (11..20).contains(&picture)).collect();
        let stretch = |frames: usize| {
            let mut places = vec![picture(9)];
            places.extend(vec![still(10, 19); frames]);
            places.push(picture(20));
            let one = frame(FrameClass::Repeat, Evidence::Measure);
            classes(&settled_from(&places, &own, ("60", "60"), one))
        };
        assert_eq!(stretch(10), format!("nn{}n", "s".repeat(9)));
        assert_eq!(stretch(20), format!("nn{}{}n", "s".repeat(11), "r".repeat(8)));
    }

    #[test]
    fn losses_are_counted_exactly() {
        let lost = |places: &[SourcePlace], rates| {
            settled(places, &[], rates)
                .iter()
                .map(|frame| (frame.lost_before, frame.flags.contains(FrameFlags::AFTER_DROP)))
                .collect::<Vec<_>>()
        };
        let none = (0, false);
        assert_eq!(
            lost(&[picture(5), picture(6), picture(6), picture(9)], ("60", "60")),
            [none, none, none, (2, true)]
        );
        // 60 on 50: one in six is skipped by the rates; two are one more than that.
        assert_eq!(lost(&[picture(5), picture(7), picture(10)], ("60", "50")), [none, (1, false), (2, true)]);
        // After a still stretch only what surely is missing counts.
        assert_eq!(lost(&[picture(5), still(6, 9), picture(12)], ("60", "60")), [none, none, (2, true)]);
    }

    #[test]
    fn a_frame_shown_early_or_late_by_the_recorder_is_no_loss() {
        let (new, same, open) = (Some(true), Some(false), None);
        for (name, places, moves, lost) in [
            ("one is missing", [5, 6, 8, 9], [new; 4], 1),
            ("a picture stayed, the next is missing", [5, 6, 6, 8], [new, new, same, new], 1),
            ("late", [5, 5, 7, 8], [new; 4], 0),
            ("late, perhaps", [5, 5, 7, 8], [new, open, new, new], 0),
            ("early", [5, 7, 7, 8], [new; 4], 0),
        ] {
            let places: Vec<SourcePlace> = places.into_iter().map(picture).collect();
            let track = track(&places, "60");
            let mut frames = vec![frame(FrameClass::New, Evidence::Measure); places.len()];
            let delivered_rate = Rate::parse("60").unwrap();
            let standing = Standing::WITH_ERRORS;
            settle(
                &mut frames,
                Settling { track: &track, own_repeats: &[], delivered_rate, standing, moves: &moves },
            );
            assert_eq!(frames.iter().map(|frame| frame.lost_before).sum::<u16>(), lost, "{name}");
        }
    }

    /// A loss and a swap among frames that are placed, and among frames of which most may be one of many pictures.
    #[test]
    fn faults_count_where_places_are_known() {
        for (open, faults) in [(0, 3), (4, 3), (14, 0)] {
            let mut places: Vec<SourcePlace> = (0..11).map(picture).collect();
            places.extend([14, 15, 17, 16, 18, 19].map(picture));
            places.extend((20..28).map(picture));
            for place in places[..11].iter_mut().rev().take(open) {
                let (first, last) = range(*place).unwrap();
                *place = still(first.saturating_sub(3), last);
            }
            for place in places.iter_mut().rev().take(open.saturating_sub(8)) {
                let (first, last) = range(*place).unwrap();
                *place = still(first, last + 3);
            }
            let track = track(&places, "60");
            let mut frames = vec![frame(FrameClass::New, Evidence::Measure); places.len()];
            let delivered_rate = Rate::parse("60").unwrap();
            let moves = vec![Some(true); places.len()];
            settle(
                &mut frames,
                Settling {
                    track: &track,
                    own_repeats: &[],
                    delivered_rate,
                    standing: Standing::WITH_ERRORS,
                    moves: &moves,
                },
            );
            let marked = |flag| frames.iter().filter(|frame| frame.flags.contains(flag)).count();
            let found = marked(FrameFlags::AFTER_DROP) + marked(FrameFlags::OUT_OF_ORDER);
            assert_eq!(found, faults, "{open} open");
        }
    }

    #[test]
    fn a_call_that_its_place_contradicts_is_no_surer_than_the_place() {
        let standing = Standing::WITH_ERRORS;
        for (name, called, confidence, places, expected) in [
            ("agreed", FrameClass::New, 0.94, [5, 6], (FrameClass::New, 0.94)),
            ("agreed, unsure", FrameClass::New, 0.6, [5, 6], (FrameClass::New, standing.told)),
            (
                "called new, placed where it was",
                FrameClass::New,
                0.94,
                [5, 5],
                (FrameClass::Repeat, standing.told),
            ),
            (
                "called a repeat, placed later",
                FrameClass::Repeat,
                0.94,
                [5, 6],
                (FrameClass::New, standing.told),
            ),
            (
                "surely new, placed where it was",
                FrameClass::New,
                0.99,
                [5, 5],
                (FrameClass::New, standing.told),
            ),
        ] {
            let track = track(&places.map(picture), "60");
            let mut frames =
                vec![frame(FrameClass::New, Evidence::Measure), frame(called, Evidence::Measure)];
            frames[1].confidence = confidence;
            let delivered_rate = Rate::parse("60").unwrap();
            settle(
                &mut frames,
                Settling { track: &track, own_repeats: &[], delivered_rate, standing, moves: &[] },
            );
            assert_eq!((frames[1].class, frames[1].confidence), expected, "{name}");
        }
    }

    #[test]
    fn disorder_is_marked() {
        let out = |list: &[u32]| {
            let places: Vec<SourcePlace> = list.iter().map(|&index| picture(index)).collect();
            let frames = settled(&places, &[], ("60", "60"));
            let marked = frames.iter().map(|frame| frame.flags.contains(FrameFlags::OUT_OF_ORDER));
            (marked.collect::<Vec<_>>(), frames.iter().map(|frame| frame.lost_before).sum::<u16>())
        };
        let (t, f) = (true, false);
        for (name, list, expected, lost) in [
            ("shown again", vec![5, 6, 7, 6, 8], vec![f, f, f, t, f], 0),
            ("swapped", vec![5, 7, 6, 8], vec![f, t, t, f], 0),
            ("played again", vec![90, 91, 5, 6], vec![f, f, f, f], 0),
        ] {
            assert_eq!(out(&list), (expected, lost), "{name}");
        }
    }
}
