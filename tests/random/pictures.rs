//! Frames of the bench: planar 4:2:0 of 8 or 10 bit.

use evenbeat::frame::{Family, FrameShape, PixelFormat};

/// Size of a frame, pixels; both even.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Size {
    pub width: usize,
    pub height: usize,
}

impl Size {
    pub fn shape(self, bit_depth: u8) -> FrameShape {
        let pixel_format = PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth };
        FrameShape { width: self.width as u32, height: self.height as u32, pixel_format }
    }

    fn halved(self) -> Self {
        Self { width: self.width / 2, height: self.height / 2 }
    }

    fn samples(self) -> usize {
        self.width * self.height
    }
}

/// A value in luma and both colour differences at one place, code values of 8 bit.
pub type Colour = [f32; 3];

/// One frame. Samples of more than 8 bit take two bytes each, little end first.
#[derive(Clone, PartialEq)]
pub struct Frame {
    pub samples: Vec<u8>,
    pub depth: u8,
}

impl Frame {
    /// From a colour per place: luma at every pixel, colour at the middle of each four.
    pub fn painted(size: Size, depth: u8, colour: impl Fn(f32, f32) -> Colour) -> Self {
        let places = |size: Size| {
            (0..size.height).flat_map(move |y| (0..size.width).map(move |x| (x as f32, y as f32)))
        };
        let luma = places(size).map(|(x, y)| colour(x, y)[0]);
        let chroma: Vec<Colour> =
            places(size.halved()).map(|(x, y)| colour(x * 2.0 + 0.5, y * 2.0 + 0.5)).collect();
        let blue = chroma.iter().map(|colour| colour[1]);
        let red = chroma.iter().map(|colour| colour[2]);
        let scale = f32::from(1_u16 << (depth - 8));
        Self::from_values(luma.chain(blue).chain(red).map(|value| value.clamp(1.0, 254.0) * scale), depth)
    }

    /// From 8-bit samples.
    pub fn from_bytes(bytes: &[u8], depth: u8) -> Self {
        let scale = f32::from(1_u16 << (depth - 8));
        Self::from_values(bytes.iter().map(|&byte| f32::from(byte) * scale), depth)
    }

    fn from_values(values: impl Iterator<Item = f32>, depth: u8) -> Self {
        let largest = f32::from((1_u16 << depth) - 1);
        let whole = values.map(|value| value.round().clamp(0.0, largest) as u16);
        let samples = match depth {
            8 => whole.map(|value| value as u8).collect(),
            _ => whole.flat_map(u16::to_le_bytes).collect(),
        };
        Self { samples, depth }
    }

    /// Code values at its own depth.
    pub fn values(&self) -> impl Iterator<Item = f32> + '_ {
        let bytes = if self.depth == 8 { 1 } else { 2 };
        self.samples.chunks_exact(bytes).map(|sample| match *sample {
            [low, high] => f32::from(u16::from_le_bytes([low, high])),
            [byte] => f32::from(byte),
            _ => unreachable!("samples of one or two bytes"),
        })
    }

    /// Every sample changed.
    pub fn mapped(&self, change: impl FnMut(f32) -> f32) -> Self {
        Self::from_values(self.values().map(change), self.depth)
    }

    /// Code values of luma, blue and red, each with the size of its plane.
    pub fn planes(&self, size: Size) -> [(Vec<f32>, Size); 3] {
        let mut values = self.values();
        [size, size.halved(), size.halved()]
            .map(|size| (values.by_ref().take(size.samples()).collect(), size))
    }

    /// From code values of luma, blue and red.
    pub fn from_planes(planes: [Vec<f32>; 3], depth: u8) -> Self {
        Self::from_values(planes.into_iter().flatten(), depth)
    }

    /// At another size, linear between samples.
    pub fn scaled(&self, from: Size, to: Size) -> Self {
        let to_size = |size| if size == from { to } else { to.halved() };
        let scaled = self.planes(from).map(|(plane, size)| scaled_plane(&plane, (size, to_size(size)), 0.0));
        Self::from_planes(scaled, self.depth)
    }

    /// The middle of it without a share at the borders, as large as the whole.
    pub fn within(&self, size: Size, left_out: f32) -> Self {
        let scaled = self.planes(size).map(|(plane, size)| scaled_plane(&plane, (size, size), left_out));
        Self::from_planes(scaled, self.depth)
    }
}

/// A plane at another size, a share of it left out at the borders.
fn scaled_plane(plane: &[f32], (from, to): (Size, Size), left_out: f32) -> Vec<f32> {
    // Of each output sample: the sample before its place, the one after, and how far it lies towards that.
    let places = |from: usize, to: usize| -> Vec<(usize, usize, f32)> {
        let place = |out: usize| {
            let (shown, before) = (from as f32 * (1.0 - left_out), from as f32 * left_out / 2.0);
            let at = ((out as f32 + 0.5) * shown / to as f32 + before - 0.5).clamp(0.0, from as f32 - 1.0);
            (at as usize, (at as usize + 1).min(from - 1), at.fract())
        };
        (0..to).map(place).collect()
    };
    let columns = places(from.width, to.width);
    let mut scaled = Vec::with_capacity(to.samples());
    for (upper, lower, down) in places(from.height, to.height) {
        for &(left, right, across) in &columns {
            let row = |y: usize| {
                let (a, b) = (plane[y * from.width + left], plane[y * from.width + right]);
                a + (b - a) * across
            };
            scaled.push(row(upper) + (row(lower) - row(upper)) * down);
        }
    }
    scaled
}
