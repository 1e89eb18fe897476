//! Order: pictures shown again after another one, and pictures swapped.

use super::{median, ClassifiedFrame, Few, FrameEvidence, FrameFlags, Sides, Steady, Step, NEIGHBOURS};

/// Returns to the picture before last, as a share of new frames, above which they are the content's own
/// (a blinking mark, a loop) and not the device's.
const OWN_SHARE: f64 = 0.1;

/// A step is so many single ones within this.
const STEP_WITHIN: f32 = 0.35;

/// Longest typical hold around a fault of the order, frames: where pictures stay longer nothing is in motion.
const HOLD_MAX: usize = 6;

/// Energy against the picture before last, as a share of a typical single step, at a return in a recording that
/// changes every frame a little.
const RETURN_ENERGY: f32 = 0.3;

/// Share of a change's energy above which it is light. Choice: half.
const LIGHT_SHARE: f32 = 0.5;

/// Energies around are steady when all lie within this factor of the middle one.
const ENERGY_FACTOR: f32 = 4.0;

/// Least energy of a change that can be out of order, code values squared, and as a share of those around: less
/// is a sample that flickers.
const ENERGY_MIN: f32 = 0.05;
const ENERGY_SHARE_MIN: f32 = 0.2;

/// Smallest ln of the energy of two steps against one at which the order of pictures shows in energies.
/// Pictures that all differ alike (0) have no order to see; slow motion has ln 4.
const ORDER_LOG_MIN: f32 = 0.4;

/// Marks frames that are out of order. Both swapped pictures are marked, and the second showing of a picture.
pub(super) fn mark(frames: &mut [ClassifiedFrame], evidence: &[FrameEvidence], news: &[usize]) {
    let scene = Scene { frames, evidence, news };
    let mut returns = Vec::new();
    let mut swaps = Vec::new();
    let mut own = 0;
    // Three questions ask for the steps around a place; finding them takes longest.
    let mut steps_before = None;
    for place in 1..news.len() {
        let steps = scene.steps_around(place);
        if place > 1 {
            own += usize::from(scene.same_as_before_last(place));
            if scene.at_pace(place) {
                if scene.swapped(place, [steps_before, steps]) {
                    swaps.extend([news[place - 1], news[place]]);
                } else if scene.returned(place, steps) {
                    returns.push(news[place]);
                }
            }
        }
        steps_before = steps;
    }
    if own.max(returns.len()) as f64 <= OWN_SHARE * news.len() as f64 {
        returns.iter().for_each(|&index| frames[index].flags.insert(FrameFlags::OUT_OF_ORDER));
    }
    if swaps.len() as f64 <= 2.0 * OWN_SHARE * news.len() as f64 {
        swaps.iter().for_each(|&index| frames[index].flags.insert(FrameFlags::OUT_OF_ORDER));
    }
}

/// Two steps in a row, each as many single ones and so far off their line.
type Steps = [(f32, f32); 2];

struct Scene<'a> {
    frames: &'a [ClassifiedFrame],
    evidence: &'a [FrameEvidence],
    news: &'a [usize],
}

impl Scene<'_> {
    /// Digest of the picture at `place`; the picture before place 0 is that of frame 0.
    fn same(&self, place: usize, other: usize) -> bool {
        self.frames[self.news[place]].digest == self.frames[self.news[other]].digest
    }

    /// Proven by digest, the last frame of the picture before last included.
    fn same_as_before_last(&self, place: usize) -> bool {
        let shown_before = self.news[place - 1] - 1;
        self.frames[self.news[place]].digest == self.frames[shown_before].digest
    }

    /// Whether pictures come and go at the usual pace at `place`: a mark that blinks in a still scene stays
    /// longer than the pictures of a motion.
    fn at_pace(&self, place: usize) -> bool {
        let hold = |place: usize| self.news[place] - self.news[place - 1];
        let range = place.saturating_sub(NEIGHBOURS).max(1)..(place + NEIGHBOURS + 1).min(self.news.len());
        if range.len() < NEIGHBOURS || place + 1 >= self.news.len() {
            return false;
        }
        let mut holds: Vec<usize> = range.map(hold).collect();
        holds.sort_unstable();
        let typical = holds[holds.len() / 2];
        typical <= HOLD_MAX && (place - 1..=place + 1).all(|near| hold(near) <= 2 * typical)
    }

    /// The same picture as before the last, and the motion goes on from there.
    fn returned(&self, place: usize, steps: Option<Steps>) -> bool {
        if !self.changes_as_others_do(place) {
            return false;
        }
        if self.same_as_before_last(place) {
            return !self.turns(place) && !self.is_light(place);
        }
        match steps {
            // One picture back and at least two forth in a motion that is steady around.
            Some([back, forth]) => near(back, -1.0) && (near(forth, 2.0) || near(forth, 3.0)),
            None => self.returned_by_energy(place),
        }
    }

    /// Whether the change at `place` is of the size of those around it.
    fn changes_as_others_do(&self, place: usize) -> bool {
        let energy = |index: usize| self.evidence[index].reduced.energy;
        let around = Sides::of(self.frames, self.news, place);
        let typical = median(around.iter().map(energy).collect()).unwrap_or(0.0);
        energy(self.news[place]) >= (ENERGY_SHARE_MIN * typical).max(ENERGY_MIN)
    }

    /// Whether most of the change is shared by all samples: light that flickers comes back by itself.
    fn is_light(&self, place: usize) -> bool {
        let change = &self.evidence[self.news[place]].reduced;
        change.offset * change.offset > LIGHT_SHARE * change.energy
    }

    /// Content that goes forth and back passes every picture again on its way.
    fn turns(&self, place: usize) -> bool {
        let [here, next] = [place, place + 1].map(|place| &self.evidence[self.news[place]].reduced);
        let digests = place >= 3 && self.same(place + 1, place - 3);
        let consecutive = self.news[place + 1] == self.news[place] + 1;
        digests || consecutive && next.energy_two_back > next.energy && here.energy > 0.0
    }

    /// The steps at and after `place`, in single steps of the motion around them.
    fn steps_around(&self, place: usize) -> Option<Steps> {
        let single = self.single(place)?;
        let step = |place: usize| Some(Step::of(&self.evidence[*self.news.get(place)?])?.in_steps_of(single));
        Some([step(place)?, step(place + 1)?])
    }

    fn single(&self, place: usize) -> Option<Step> {
        Some(Steady::around(self.evidence, Sides::of(self.frames, self.news, place))?.single)
    }

    /// Where no motion is measured: much nearer to the picture before last than single steps are, and the next
    /// picture nearer to the other one than to this.
    fn returned_by_energy(&self, place: usize) -> bool {
        let Some(pace) = self.energies(place) else { return false };
        let [last, here, next] =
            [place - 1, place, place + 1].map(|at| &self.evidence[self.news[at]].reduced);
        let smallest = last.energy.min(here.energy).min(pace.single);
        let alike = |energy: f32| (energy / pace.single).ln().abs() < pace.log_two;
        alike(last.energy)
            && alike(here.energy)
            && here.energy_two_back < RETURN_ENERGY * smallest
            && next.energy_two_back < next.energy
    }

    /// C and B of A C B D: two steps forth, one back, two forth; `steps` are those around the place before and around
    /// `place`.
    fn swapped(&self, place: usize, steps: [Option<Steps>; 2]) -> bool {
        match steps {
            [Some([forth, _]), Some([back, again])] => {
                near(forth, 2.0) && near(back, -1.0) && near(again, 2.0)
            }
            _ => self.swapped_by_energy(place),
        }
    }

    /// B is nearer to A than C is to A, and D nearer to C than to B: the opposite of pictures in order.
    fn swapped_by_energy(&self, place: usize) -> bool {
        let Some(pace) = self.energies(place) else { return false };
        let [last, here, next] =
            [place - 1, place, place + 1].map(|at| &self.evidence[self.news[at]].reduced);
        let reversed = |two_back: f32, step: f32| (two_back / step).ln() < -pace.log_two / 2.0;
        let alike = |energy: f32| (energy / pace.single).ln().abs() < pace.log_two / 2.0;
        reversed(here.energy_two_back, last.energy)
            && reversed(next.energy_two_back, next.energy)
            && alike(here.energy)
            && alike(here.energy_two_back)
            && alike(next.energy_two_back)
    }

    /// Typical energies around `place`, where every frame shows another picture and two steps are farther
    /// than one.
    fn energies(&self, place: usize) -> Option<Pace> {
        let index = self.news[place];
        let consecutive = (place - 2..=place + 1).all(|at| {
            let found = self.news.get(at).is_some_and(|&found| found + place == index + at);
            found && !self.frames[self.news[at]].flags.contains(FrameFlags::CUT)
        });
        if !consecutive {
            return None;
        }
        let near = self.news[place - 1]..=index + 1;
        let around = Sides::of(self.frames, self.news, place).iter();
        let around: Few<usize> = around.filter(|index| !near.contains(index)).collect();
        let of = |value: fn(&FrameEvidence) -> f32| {
            median(around.iter().map(|&index| value(&self.evidence[index])).collect())
        };
        let single = of(|one| one.reduced.energy)?;
        let two = of(|one| one.reduced.energy_two_back)?;
        let log_two = (two / single).ln();
        let in_order = around.iter().all(|&index| {
            let reduced = &self.evidence[index].reduced;
            reduced.energy_two_back > reduced.energy
                && reduced.energy <= ENERGY_FACTOR * single
                && reduced.energy >= single / ENERGY_FACTOR
        });
        (around.len() >= NEIGHBOURS && in_order && log_two >= ORDER_LOG_MIN)
            .then_some(Pace { single, log_two })
    }
}

/// What energies are around a place.
struct Pace {
    /// Energy of a single step.
    single: f32,
    /// ln of the energy of two steps against it.
    log_two: f32,
}

/// Whether a step is `count` single ones.
fn near((along, off_line): (f32, f32), count: f32) -> bool {
    (along - count).abs() <= STEP_WITHIN && off_line <= STEP_WITHIN
}
