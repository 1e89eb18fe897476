//! Several devices, one clip: which of its pictures each delivered, and how their numbers compare. Pure.
//!
//! Audits come a few at a time, so that not all of them are in memory: [`Device::new`] keeps of each what the
//! comparison needs. Where every audit knows its clip, pictures are compared on the clip's own index. Otherwise the
//! captures are aligned with each other by their signatures: the pictures that any device showed form the best
//! known sequence.

mod measures;
mod pictures;

pub use measures::{Better, Measure, Standing, Value, MEASURES};
pub use pictures::{Coverage, Lane, LaneColumn, Shown, LANE_COLUMNS};

use crate::alignment::{align, Digest, Grid, Proof, Signature, SignatureSequence, SourcePlace, CELLS};
use crate::audit::Audit;
use crate::classify::{count_flagged, ClassifiedFrame, FrameClass, FrameFlags};
use crate::settings::DeviceFacts;
use crate::units::Rate;
use crate::words::counted;
use pictures::Timeline;

/// What tells which clip an audit is about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClipName {
    /// Name as the person gave it or as its marks say.
    pub name: String,
    /// Pictures per second.
    pub rate: Rate,
    /// Pictures it holds, where that is known.
    pub length: Option<u64>,
}

/// What the comparison keeps of one audit.
#[derive(Clone, Debug)]
pub struct Device {
    /// How the comparison calls it.
    pub name: String,
    /// What the person said of it.
    pub told: DeviceFacts,
    /// Name of the capture.
    pub capture: String,
    /// Whether all of the capture was read.
    pub complete: bool,
    /// Length of the capture, seconds.
    pub duration_s: f64,
    /// Frames per second delivered.
    pub delivered_rate: Rate,
    /// The clip, where the audit knows it.
    pub clip: Option<ClipName>,
    /// One value per measure of [`MEASURES`].
    pub values: Vec<Value>,
    /// Pictures it showed, by the index that all devices share; `None` where that is not known.
    pub coverage: Option<Coverage>,
    shown: Option<Shown>,
}

impl Device {
    /// What an audit says of a device.
    pub fn new(name: impl Into<String>, audit: &Audit) -> Self {
        let clip = audit.source.as_ref().map(|source| ClipName {
            name: source.track.clip_name.clone(),
            rate: source.track.clip_rate,
            length: source.track.clip_length,
        });
        Self {
            name: name.into(),
            told: audit.device.clone(),
            capture: audit.facts.name.clone(),
            complete: audit.complete,
            duration_s: audit.times.duration_s(),
            delivered_rate: audit.times.delivered_rate,
            clip,
            values: measures::values(audit),
            coverage: None,
            shown: audit.source.as_ref().map(|source| Shown::of_places(&source.track.places)),
        }
    }
}

/// How pictures of different devices were told to be the same.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Basis {
    /// By their index in the clip.
    Clip(ClipName),
    /// By aligning the captures with that of this device, which showed most pictures.
    Captures(String),
    /// Not at all, and why.
    None(String),
}

/// Several devices, one clip.
#[derive(Clone, Debug)]
pub struct Comparison {
    /// How pictures were told to be the same.
    pub basis: Basis,
    /// In the order given.
    pub devices: Vec<Device>,
    /// Pictures in the known sequence; 0 where pictures were not compared.
    pub pictures: u64,
    /// Length of the common time axis, seconds.
    pub duration_s: f64,
    /// For each measure of [`MEASURES`] and each device, how it stands among them.
    pub standings: Vec<Vec<Standing>>,
}

/// Why audits cannot be compared: they are of different clips.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DifferentClips {
    /// Position of the audit that does not belong to the first.
    pub device: usize,
    /// What was found, in words and numbers.
    pub evidence: String,
}

/// A capture's pictures, for alignment with others.
#[derive(Clone, Debug)]
pub struct Frames {
    /// One signature per frame.
    pub signatures: Vec<Signature>,
    /// One digest per frame: equal ones are the same picture, whatever it looks like.
    pub digests: Vec<Digest>,
    /// Whether each frame shows a new picture of its own: no repeat, and no mix.
    pub is_new: Vec<bool>,
    /// Whether the device mixes pictures: then a frame between two pictures is another mix, and no picture of its own.
    pub mixes: bool,
    /// Size of the part of the picture that was looked at, pixels.
    pub size: (u32, u32),
    /// Frames per second.
    pub delivered_rate: Rate,
}

/// One frame in this many that is a mix makes a device one that mixes. Choice: single mixes are marked one by one.
const MIXING_PART: usize = 10;

/// Number of new pictures of an audit, by which one is chosen to align the others with; `None` where its signatures
/// were not kept.
pub fn own_pictures(audit: &Audit) -> Option<usize> {
    has_signatures(audit).then(|| audit.frames.iter().filter(|frame| is_own_picture(frame)).count())
}

fn has_signatures(audit: &Audit) -> bool {
    !audit.signatures.is_empty() && audit.signatures.len() == audit.frames.len()
}

fn is_own_picture(frame: &ClassifiedFrame) -> bool {
    frame.class == FrameClass::New && !frame.flags.contains(FrameFlags::BLEND)
}

impl Frames {
    /// Those of an audit; `None` where its signatures were not kept.
    pub fn of(audit: &Audit) -> Option<Self> {
        let frames = &audit.frames;
        has_signatures(audit).then(|| Self {
            signatures: audit.signatures.unpacked(),
            digests: frames.iter().map(|frame| frame.digest).collect(),
            is_new: frames.iter().map(is_own_picture).collect(),
            mixes: count_flagged(frames, FrameFlags::BLEND) * MIXING_PART >= frames.len(),
            size: audit.looked_at,
            delivered_rate: audit.times.delivered_rate,
        })
    }
}

/// The pictures of the capture that others are aligned with: those that are new, one after another.
#[derive(Clone, Debug)]
pub struct Base {
    /// Position of its audit.
    pub device: usize,
    signatures: Vec<Signature>,
    digests: Vec<Digest>,
    size: (u32, u32),
    /// Pictures per second.
    rate_hz: f64,
}

impl Base {
    /// Pictures per second.
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// The new pictures of a capture.
    pub fn new(device: usize, frames: &Frames) -> Self {
        let new = || (0..frames.signatures.len()).filter(|&frame| frames.is_new[frame]);
        let signatures: Vec<Signature> = new().map(|frame| frames.signatures[frame]).collect();
        let share = signatures.len() as f64 / frames.signatures.len().max(1) as f64;
        Self {
            device,
            signatures,
            digests: new().map(|frame| frames.digests[frame]).collect(),
            size: frames.size,
            rate_hz: frames.delivered_rate.hz() * share,
        }
    }

    /// Where each frame of another capture lies among these pictures.
    ///
    /// # Errors
    /// The capture does not show them.
    pub fn places(&self, frames: &Frames) -> Result<Vec<SourcePlace>, String> {
        // What looks the same in small may be another picture: the samples must be the same, where they are known.
        let same: Vec<bool> = (0..frames.signatures.len())
            .map(|frame| {
                let as_before = |before: usize| {
                    frames.signatures[frame] == frames.signatures[before]
                        && frames.digests[frame] == frames.digests[before]
                };
                frame.checked_sub(1).is_some_and(as_before)
            })
            .collect();
        let capture = SignatureSequence {
            signatures: &frames.signatures,
            same_as_before: &same,
            grid: Grid::new(frames.size.0, frames.size.1),
            textures: &[],
            parts: None,
            visible: [true; CELLS],
            rate_hz: frames.delivered_rate.hz(),
            mixes: false,
            lossy: false,
            moves: &[],
            differences: &[],
        };
        let base = SignatureSequence {
            signatures: &self.signatures,
            same_as_before: &[],
            grid: Grid::new(self.size.0, self.size.1),
            textures: &[],
            parts: None,
            visible: [true; CELLS],
            rate_hz: self.rate_hz,
            mixes: false,
            lossy: false,
            moves: &[],
            differences: &[],
        };
        let proof = match self.size == frames.size {
            true => Proof::new(&self.digests, &frames.digests),
            false => Proof::default(),
        };
        align(&capture, &base, &proof).map(|aligned| aligned.places).map_err(|none| none.evidence)
    }
}

/// Fewest frames that show a picture of the base from which the recordings' errors are told. Choice.
const ERROR_FRAMES_MIN: usize = 10;

/// A frame that lies between two pictures must be farther from both than the largest error by this factor, in squares:
/// twice as far. Choice.
const ERROR_MARGIN: f64 = 4.0;

impl Base {
    /// Whether each frame that lies between two pictures is clearly farther from both than any frame that shows a picture is
    /// from it: what differs by less is the recordings' error. Where few frames show a picture, nothing tells how large that
    /// is, and the place stands.
    fn apart(&self, frames: &Frames, places: &[SourcePlace]) -> Vec<bool> {
        let from = |signature: &Signature, picture: u32| {
            self.signatures.get(picture as usize).map_or(f64::INFINITY, |base| distance(signature, base))
        };
        let placed = || frames.signatures.iter().zip(places).zip(&frames.is_new);
        let errors: Vec<f64> = placed()
            .filter_map(|((signature, &place), &new)| match place {
                SourcePlace::Picture(picture) if new => Some(from(signature, picture)),
                _ => None,
            })
            .collect();
        let largest = match errors.len() {
            ERROR_FRAMES_MIN.. => errors.into_iter().fold(0.0, f64::max),
            _ => 0.0,
        };
        placed()
            .map(|((signature, &place), _)| match place {
                SourcePlace::Mix { first, second, .. } => {
                    from(signature, first).min(from(signature, second)) > ERROR_MARGIN * largest
                }
                _ => false,
            })
            .collect()
    }
}

/// Mean square of the differences of two signatures.
fn distance(a: &Signature, b: &Signature) -> f64 {
    let squares = a.iter().zip(b).map(|(&a, &b)| (f64::from(a) - f64::from(b)).powi(2));
    squares.sum::<f64>() / a.len().max(1) as f64
}

impl Base {
    /// Which of these pictures another capture shows.
    ///
    /// # Errors
    /// It does not show them.
    pub fn shown_by(&self, frames: &Frames) -> Result<Shown, String> {
        let places = self.places(frames)?;
        Ok(match frames.mixes {
            true => Shown::of_places(&places),
            false => Shown::of_aligned(&places, &frames.is_new, &self.apart(frames, &places)),
        })
    }

    /// All of them: what the capture they come from shows.
    pub fn all_shown(&self) -> Shown {
        Shown::all(self.signatures.len())
    }
}

impl Device {
    /// Notes which pictures of the base it showed.
    pub fn show(&mut self, shown: Shown) {
        self.shown = Some(shown);
    }
}

/// Which clip the audits are about, if all say it.
///
/// # Errors
/// Two say different ones.
pub fn common_clip(devices: &[Device]) -> Result<Option<ClipName>, DifferentClips> {
    let mut first: Option<(usize, &ClipName)> = None;
    for (place, device) in devices.iter().enumerate() {
        let Some(clip) = &device.clip else { continue };
        match first {
            None => first = Some((place, clip)),
            Some((other, known)) if (known.rate, known.length) != (clip.rate, clip.length) => {
                return Err(DifferentClips {
                    device: place,
                    evidence: format!(
                        "{} was held against {}, {} against {}",
                        devices[other].name,
                        described(known),
                        device.name,
                        described(clip)
                    ),
                });
            }
            Some(_) => {}
        }
    }
    let all = devices.iter().all(|device| device.clip.is_some());
    Ok(first.filter(|_| all).map(|(_, clip)| clip.clone()))
}

fn described(clip: &ClipName) -> String {
    let length = clip.length.map_or_else(
        || "of unknown length".to_owned(),
        |length| format!("of {}", counted(length, "picture")),
    );
    format!("{} {length} at {}/s", clip.name, clip.rate)
}

/// Compares devices whose pictures are placed as far as they can be.
pub fn compare(mut devices: Vec<Device>, basis: Basis, rate_hz: f64) -> Comparison {
    let timeline = match basis {
        Basis::None(_) => None,
        _ => Timeline::new(devices.iter().map(|device| device.shown.as_ref())),
    };
    if let Some(timeline) = &timeline {
        for device in &mut devices {
            device.coverage = device.shown.as_ref().map(|shown| timeline.coverage(shown));
        }
    }
    for device in &mut devices {
        measures::add_coverage(device);
    }
    let longest = devices.iter().map(|device| device.duration_s).fold(0.0, f64::max);
    let pictures = timeline.as_ref().map_or(0, Timeline::pictures);
    Comparison {
        duration_s: if pictures > 0 && rate_hz > 0.0 { pictures as f64 / rate_hz } else { longest },
        pictures,
        standings: measures::standings(&devices),
        basis,
        devices,
    }
}

#[cfg(test)]
mod tests;
