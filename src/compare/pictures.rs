//! Which pictures each device showed, on one index.

use std::collections::BTreeMap;

use crate::alignment::{Appearance, SourcePlace};

/// Columns of a device's lane: one for every three pixels of a chart of usual width.
pub const LANE_COLUMNS: usize = 240;

/// What one device showed.
#[derive(Clone, Debug)]
pub struct Shown {
    /// By picture.
    pictures: Vec<Appearance>,
    /// Pictures of its own after a picture, which the base does not have.
    extra: BTreeMap<u32, u32>,
    first: u32,
    last: u32,
}

impl Shown {
    fn empty() -> Self {
        Self { pictures: Vec::new(), extra: BTreeMap::new(), first: u32::MAX, last: 0 }
    }

    /// Every one of so many pictures.
    pub fn all(pictures: usize) -> Self {
        let last = (pictures as u32).saturating_sub(1);
        Self { pictures: vec![Appearance::Alone; pictures], first: 0, last, ..Self::empty() }
    }

    /// By places in the clip.
    pub fn of_places(places: &[SourcePlace]) -> Self {
        let mut shown = Self::empty();
        let mut before = SourcePlace::Unknown;
        for &place in places {
            if place != before {
                shown.mark_place(place);
            }
            before = place;
        }
        shown
    }

    /// By places among the pictures of another capture. A picture of its own that lies between two of these is one that
    /// the other capture does not have, where it is `apart` from both by more than the recordings' errors; otherwise it
    /// is one of the two: the one that the device does not show elsewhere, else the nearer one.
    pub fn of_aligned(places: &[SourcePlace], is_new: &[bool], apart: &[bool]) -> Self {
        let mut shown = Self::empty();
        let mut one_of_two = Vec::new();
        for ((&place, &new), &apart) in places.iter().zip(is_new).zip(apart) {
            match place {
                SourcePlace::Mix { first, .. } if new && apart => {
                    shown.reach(first);
                    *shown.extra.entry(first).or_default() += 1;
                }
                SourcePlace::Mix { first, second, weight } if new => one_of_two.push((first, second, weight)),
                SourcePlace::Mix { .. } => {}
                place => shown.mark_place(place),
            }
        }
        for (first, second, weight) in one_of_two {
            let has = |picture: u32| shown.pictures.get(picture as usize) == Some(&Appearance::Alone);
            let is_second = match (has(first), has(second)) {
                (true, false) => true,
                (false, true) => false,
                _ => weight >= 0.5,
            };
            shown.mark(if is_second { second } else { first }, Appearance::Alone);
        }
        shown
    }

    fn mark_place(&mut self, place: SourcePlace) {
        place.pictures().for_each(|(picture, how)| self.mark(picture, how));
    }

    fn mark(&mut self, picture: u32, how: Appearance) {
        let at = picture as usize;
        if self.pictures.len() <= at {
            self.pictures.resize(at + 1, Appearance::Never);
        }
        self.pictures[at] = self.pictures[at].max(how);
        // What may have appeared does not say where a device began.
        if how > Appearance::Perhaps {
            self.reach(picture);
        }
    }

    fn reach(&mut self, picture: u32) {
        self.first = self.first.min(picture);
        self.last = self.last.max(picture);
    }
}

/// What one column of a lane holds, pictures.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LaneColumn {
    /// Pictures that appeared for themselves.
    pub shown: u32,
    /// Pictures that appeared only within mixes.
    pub mixed: u32,
    /// Pictures that cannot be told from others.
    pub perhaps: u32,
    /// Pictures that never appeared.
    pub never: u32,
}

/// The pictures of a device along the common axis.
pub type Lane = Vec<LaneColumn>;

/// Pictures of the known sequence that a device showed, from its first to its last one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Coverage {
    /// First picture it showed, on the common index.
    pub first: u64,
    /// Last picture it showed.
    pub last: u64,
    /// Appeared for themselves.
    pub shown: u64,
    /// Appeared only within mixes.
    pub only_mixed: u64,
    /// Cannot be told from others.
    pub perhaps: u64,
    /// Never appeared.
    pub never: u64,
    /// The same along the axis, [`LANE_COLUMNS`] columns.
    pub lane: Lane,
}

impl Coverage {
    /// Pictures from the first to the last one it showed.
    pub fn pictures(&self) -> u64 {
        self.shown + self.only_mixed + self.perhaps + self.never
    }

    /// Half width of the range that the share lies in: one picture at either end may be the recording's matter, and
    /// those that cannot be told may be anything; that they are all shown or all missing is not to be expected.
    pub fn uncertainty(&self) -> f64 {
        const OF_THOSE: f64 = 0.25;
        (1.0 + OF_THOSE * self.perhaps as f64) / self.pictures().max(1) as f64
    }

    /// Share of the pictures that can be told, 0 to 1.
    pub fn share(&self) -> Option<f64> {
        let told = self.pictures() - self.perhaps;
        (told > 0).then(|| self.shown as f64 / told as f64)
    }
}

/// All pictures that any device showed, in order.
pub(super) struct Timeline {
    /// First picture of the index that any device showed.
    from: u32,
    /// Position of each picture from there; the last is the length.
    positions: Vec<u64>,
}

impl Timeline {
    /// The sequence; `None` where no device showed a picture that is known.
    pub fn new<'a>(devices: impl Iterator<Item = Option<&'a Shown>> + Clone) -> Option<Self> {
        let shown = || devices.clone().flatten().filter(|shown| shown.first <= shown.last);
        let from = shown().map(|shown| shown.first).min()?;
        let last = shown().map(|shown| shown.last).max()?;
        let mut extra = vec![0u32; (last - from) as usize + 1];
        for (&picture, &count) in shown().flat_map(|shown| &shown.extra) {
            if let Some(most) = picture.checked_sub(from).and_then(|at| extra.get_mut(at as usize)) {
                *most = (*most).max(count);
            }
        }
        let mut positions = Vec::with_capacity(extra.len() + 1);
        let mut position = 0;
        for count in extra {
            positions.push(position);
            position += 1 + u64::from(count);
        }
        positions.push(position);
        Some(Self { from, positions })
    }

    /// Pictures in all.
    pub fn pictures(&self) -> u64 {
        self.positions.last().copied().unwrap_or(0)
    }

    /// What of it a device showed.
    pub fn coverage(&self, shown: &Shown) -> Coverage {
        let mut coverage = Coverage {
            first: 0,
            last: 0,
            shown: 0,
            only_mixed: 0,
            perhaps: 0,
            never: 0,
            lane: vec![LaneColumn::default(); LANE_COLUMNS],
        };
        if shown.first > shown.last {
            return coverage;
        }
        let mut tally = Tally { coverage: &mut coverage, pictures: self.pictures() };
        for picture in shown.first..=shown.last {
            let at = (picture - self.from) as usize;
            let (position, next) = (self.positions[at], self.positions[at + 1]);
            let how = shown.pictures.get(picture as usize).copied().unwrap_or(Appearance::Never);
            tally.count(position, how);
            // Pictures after the last one it showed are no part of what it could have shown.
            let own = u64::from(shown.extra.get(&picture).copied().unwrap_or(0));
            if picture == shown.last && own == 0 {
                continue;
            }
            for extra in 0..next - position - 1 {
                let how = if extra < own { Appearance::Alone } else { Appearance::Never };
                tally.count(position + 1 + extra, how);
            }
        }
        coverage.first = self.positions[(shown.first - self.from) as usize];
        coverage.last = (coverage.first + coverage.pictures()).saturating_sub(1);
        coverage
    }
}

struct Tally<'a> {
    coverage: &'a mut Coverage,
    pictures: u64,
}

impl Tally<'_> {
    fn count(&mut self, position: u64, how: Appearance) {
        let column = (position * LANE_COLUMNS as u64 / self.pictures.max(1)) as usize;
        let column = &mut self.coverage.lane[column.min(LANE_COLUMNS - 1)];
        match how {
            Appearance::Never => {
                (self.coverage.never, column.never) = (self.coverage.never + 1, column.never + 1)
            }
            Appearance::Perhaps => {
                (self.coverage.perhaps, column.perhaps) = (self.coverage.perhaps + 1, column.perhaps + 1);
            }
            Appearance::Mixed => {
                (self.coverage.only_mixed, column.mixed) = (self.coverage.only_mixed + 1, column.mixed + 1);
            }
            Appearance::Alone => {
                (self.coverage.shown, column.shown) = (self.coverage.shown + 1, column.shown + 1)
            }
        }
    }
}
