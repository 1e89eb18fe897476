//! Whether a device mixes pictures to turn one rate into another. Its frames then lie evenly along the clip, each so much
//! of a picture after the one before; the frames of a device that shows whole pictures lie at pictures, whatever its
//! cadence. Both are told apart by where the frames lie between pictures, as directions on a circle of one picture. A
//! recorder that leaves some of the frame before moves all of them alike and changes neither.

use std::f64::consts::TAU;

/// Frames over which a course is taken for even: two seconds at 60 frames per second. Choice.
const WINDOW: usize = 120;

/// Frames of a window that must tell where they lie.
const MEASURED_MIN: usize = 20;

/// By how much frames lie closer together along an even course than at pictures, as mean vectors of length 0 to 1. By
/// trials on ten clips and scenes at x264 20: whole pictures −0.9 to 0, mixes of 50 for 60 pictures 0.2 to 1.
const CLOSER: f64 = 0.3;

/// Least share of the frames of a window that surely lie between pictures. Choice: of the frames of a steady conversion half do,
/// where pictures differ by more than the errors; of whole pictures one in a hundred seems to.
const BETWEEN_MIN: f64 = 0.1;

/// Where a frame lies.
#[derive(Clone, Copy)]
pub(super) struct Lying {
    /// Pictures and parts of them.
    pub place: f64,
    /// Whether errors leave no picture that it may show alone.
    pub is_between: bool,
}

/// Where frames lie between the pictures of the clip.
pub(super) struct Conversion {
    /// Pictures of the clip per frame.
    advance: f64,
    /// Where frame 0 would lie by the course of each window; `None` where frames lie at pictures.
    origins: Vec<Option<f64>>,
}

impl Conversion {
    /// Of frames at these places; `None` where that cannot be told.
    pub fn new(places: &[Option<Lying>], advance: f64) -> Self {
        let windows = (places.len() / WINDOW).max(1);
        let origins = (0..windows)
            .map(|window| {
                let start = window * WINDOW;
                let end = if window + 1 == windows { places.len() } else { start + WINDOW };
                origin(&places[start..end], start, advance)
            })
            .collect();
        Self { advance, origins }
    }

    /// Where a frame of a device that mixes lies by the course around it, the nearest to `place`; `None` where it does not mix.
    pub fn place_near(&self, frame: usize, place: f64) -> Option<f64> {
        let by_course = self.origin(frame)? + self.advance * frame as f64;
        Some(by_course + (place - by_course).round())
    }

    fn origin(&self, frame: usize) -> Option<f64> {
        self.origins[(frame / WINDOW).min(self.origins.len() - 1)]
    }
}

/// Where frame 0 would lie, if these frames, the first of which is frame `start`, lie on an even course between pictures.
fn origin(places: &[Option<Lying>], start: usize, advance: f64) -> Option<f64> {
    let (mut whole, mut even, mut count, mut between) = ([0.0; 2], [0.0; 2], 0, 0);
    for (at, place) in places.iter().enumerate() {
        let Some(Lying { place, is_between }) = place else { continue };
        between += i32::from(*is_between);
        let add = |sum: &mut [f64; 2], part: f64| {
            let (sine, cosine) = (TAU * part).sin_cos();
            sum[0] += cosine;
            sum[1] += sine;
        };
        add(&mut whole, *place);
        add(&mut even, place - advance * (start + at) as f64);
        count += 1;
    }
    let length = |sum: [f64; 2]| sum[0].hypot(sum[1]) / f64::from(count);
    let is_told = count >= MEASURED_MIN as i32 && f64::from(between) >= BETWEEN_MIN * f64::from(count);
    (is_told && length(even) - length(whole) >= CLOSER).then(|| even[1].atan2(even[0]) / TAU)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Where a device shows what it should show at a place in the clip.
    type Shown = fn(f64) -> f64;

    /// Frames that advance so much, `shown` as the device does, moved by `off` and by a wobble.
    fn places(advance: f64, shown: Shown, (off, wobble): (f64, f64)) -> Vec<Option<Lying>> {
        let scattered = |frame: usize| ((frame * 7919 % 101) as f64 / 101.0 - 0.5) * 2.0 * wobble;
        let place = |frame: usize| shown(advance * frame as f64) + off + scattered(frame);
        (0..300).map(|frame| Some(Lying { place: place(frame), is_between: true })).collect()
    }

    #[test]
    fn only_an_even_course_between_pictures_is_one_of_mixes() {
        let mixed: Shown = |place| place;
        let cases: [(&str, f64, Shown, bool); 7] = [
            ("1:1", 1.0, f64::floor, false),
            ("each twice", 0.5, f64::floor, false),
            ("2:3", 0.4, f64::floor, false),
            ("50 for 60, whole", 5.0 / 6.0, f64::floor, false),
            ("50 for 60, mixed", 5.0 / 6.0, mixed, true),
            ("24 for 60, mixed", 0.4, mixed, true),
            ("60 for 50, mixed", 1.2, mixed, true),
        ];
        for (name, advance, shown, expected) in cases {
            for (off, wobble) in [(0.0, 0.0), (-0.2, 0.1), (0.1, 0.25)] {
                let course = Conversion::new(&places(advance, shown, (off, wobble)), advance);
                assert_eq!(
                    course.place_near(150, 0.0).is_some(),
                    expected,
                    "{name}, off by {off} ± {wobble}"
                );
            }
        }
    }

    #[test]
    fn the_course_says_where_a_frame_lies() {
        let course = Conversion::new(&places(5.0 / 6.0, |place| place, (0.0, 0.2)), 5.0 / 6.0);
        let place = course.place_near(121, 100.7).unwrap();
        assert!((place - 121.0 * 5.0 / 6.0).abs() < 0.05, "{place}");
    }
}
