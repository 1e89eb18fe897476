//! Pictures of planar samples, and what is done to their lines.

use std::fmt;

/// A set of lines of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Parity {
    /// Rows 0, 2, 4 …
    Top,
    /// Rows 1, 3, 5 …
    Bottom,
}

impl Parity {
    pub fn other(self) -> Self {
        match self {
            Self::Top => Self::Bottom,
            Self::Bottom => Self::Top,
        }
    }

    fn first_row(self) -> usize {
        match self {
            Self::Top => 0,
            Self::Bottom => 1,
        }
    }

    /// Of the field `number` places after one of this parity.
    pub fn after(self, number: usize) -> Self {
        if number % 2 == 0 {
            self
        } else {
            self.other()
        }
    }

    pub fn name(self) -> &'static str {
        match self {
            Self::Top => "top",
            Self::Bottom => "bottom",
        }
    }
}

/// Size of a picture, pixels; multiples of four, so that both fields have whole chroma lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Size {
    pub width: usize,
    pub height: usize,
}

impl Size {
    /// Bytes of a picture in 4:2:0.
    pub fn quartered_bytes(self) -> usize {
        self.width * self.height * 3 / 2
    }
}

impl fmt::Display for Size {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}x{}", self.width, self.height)
    }
}

/// Samples of one component, row by row.
#[derive(Clone, PartialEq, Eq)]
pub struct Plane {
    pub width: usize,
    pub samples: Vec<u8>,
}

impl Plane {
    pub fn height(&self) -> usize {
        self.samples.len() / self.width
    }

    pub fn row(&self, y: usize) -> &[u8] {
        &self.samples[y * self.width..][..self.width]
    }

    /// A plane of the same size, each row made by `row` from its number.
    fn by_rows(&self, mut row: impl FnMut(usize, &mut Vec<u8>)) -> Self {
        let mut samples = Vec::with_capacity(self.samples.len());
        (0..self.height()).for_each(|y| row(y, &mut samples));
        Self { width: self.width, samples }
    }

    fn blended(&self, other: &Self) -> Self {
        let samples = self.samples.iter().zip(&other.samples).map(|(&a, &b)| mean(a, b)).collect();
        Self { width: self.width, samples }
    }
}

fn mean(a: u8, b: u8) -> u8 {
    u16::from(a).midpoint(u16::from(b) + 1) as u8
}

/// Luma, then the two colour differences.
#[derive(Clone, PartialEq, Eq)]
pub struct Picture {
    pub planes: [Plane; 3],
}

impl Picture {
    /// From packed 4:2:0.
    pub fn from_quartered(size: Size, bytes: &[u8]) -> Self {
        let (luma, chroma) = bytes.split_at(size.width * size.height);
        let (blue, red) = chroma.split_at(chroma.len() / 2);
        let plane = |width, samples: &[u8]| Plane { width, samples: samples.to_vec() };
        Self { planes: [plane(size.width, luma), plane(size.width / 2, blue), plane(size.width / 2, red)] }
    }

    pub fn write_to(&self, out: &mut impl std::io::Write) -> std::io::Result<()> {
        self.planes.iter().try_for_each(|plane| out.write_all(&plane.samples))
    }

    fn per_plane(&self, change: impl Fn(&Plane) -> Plane) -> Self {
        Self { planes: self.planes.each_ref().map(change) }
    }

    fn with(&self, other: &Self, join: impl Fn(&Plane, &Plane) -> Plane) -> Self {
        let [luma, blue, red] = &self.planes;
        let [other_luma, other_blue, other_red] = &other.planes;
        Self { planes: [join(luma, other_luma), join(blue, other_blue), join(red, other_red)] }
    }
}

/// The top field of one picture and the bottom field of another in one frame.
pub fn woven(top: &Picture, bottom: &Picture) -> Picture {
    top.with(bottom, |top, bottom| {
        top.by_rows(|y, out| out.extend_from_slice(if y % 2 == 0 { top.row(y) } else { bottom.row(y) }))
    })
}

/// One field where it belongs, the other's lines rebuilt as the mean of the lines above and below.
pub fn interpolated(picture: &Picture, kept: Parity) -> Picture {
    rebuilt(picture, kept, |lines, x| mean(lines[1][x], lines[2][x]))
}

/// One field where it belongs, the other's lines rebuilt from four lines around them by a cubic curve: weights
/// −1, 9, 9, −1 of 16.
pub fn interpolated_smoothly(picture: &Picture, kept: Parity) -> Picture {
    rebuilt(picture, kept, |lines, x| {
        let [far_above, above, below, far_below] = lines.map(|line| i32::from(line[x]));
        ((9 * (above + below) - far_above - far_below + 8) / 16).clamp(0, 255) as u8
    })
}

/// Rebuilds the lines of the lost parity, sample by sample, from the kept ones three and one above, one and three
/// below. Beyond the edge the nearest kept line stands in.
fn rebuilt(picture: &Picture, kept: Parity, sample: impl Fn([&[u8]; 4], usize) -> u8) -> Picture {
    picture.per_plane(|plane| {
        let last = plane.height() - 2 + kept.first_row();
        let kept_row = |y: isize| plane.row(y.clamp(kept.first_row() as isize, last as isize) as usize);
        plane.by_rows(|y, out| {
            if y % 2 == kept.first_row() {
                return out.extend_from_slice(plane.row(y));
            }
            let lines = [-3, -1, 1, 3].map(|way| kept_row(y as isize + way));
            out.extend((0..plane.width).map(|x| sample(lines, x)));
        })
    })
}

/// One field, each line of it written twice from row 0 on, whichever parity it has.
pub fn doubled(picture: &Picture, kept: Parity) -> Picture {
    picture.per_plane(|plane| {
        plane.by_rows(|y, out| out.extend_from_slice(plane.row(y / 2 * 2 + kept.first_row())))
    })
}

/// Half of one picture and half of another.
pub fn blended(first: &Picture, second: &Picture) -> Picture {
    first.with(second, Plane::blended)
}

/// Luma of one picture, colour of another.
pub fn recoloured(luma: &Picture, chroma: &Picture) -> Picture {
    let [_, blue, red] = chroma.planes.clone();
    Picture { planes: [luma.planes[0].clone(), blue, red] }
}

/// 4:4:4 from 4:2:0 as for progressive pictures: each chroma line serves two neighbouring luma lines.
pub fn chroma_doubled(picture: &Picture) -> Picture {
    let height = picture.planes[0].height();
    let raised = |plane: &Plane| {
        let rows = (0..height).map(|y| plane.row(y / 2));
        let samples = rows.flat_map(|row| row.iter().flat_map(|&sample| [sample, sample])).collect();
        Plane { width: plane.width * 2, samples }
    };
    let [luma, blue, red] = &picture.planes;
    Picture { planes: [luma.clone(), raised(blue), raised(red)] }
}

/// Share of a plane's samples that differ by more than `step` code values.
pub fn share_that_differs(a: &Plane, b: &Plane, step: u8) -> f64 {
    let differ = a.samples.iter().zip(&b.samples).filter(|(a, b)| a.abs_diff(**b) > step).count();
    differ as f64 / a.samples.len() as f64
}
