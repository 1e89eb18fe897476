//! What the clip shows: a picture for every moment, one moment per field period. Painted, or from real clips.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use evenbeat::demo::texture::Texture;
use evenbeat::units::Rate;

use super::decoded;
use super::picture::{Picture, Size};

/// A value in luma and both colour differences at one place.
type Colour = [f32; 3];

/// What is painted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// Everything moves sideways by so many pixels per moment: texture, lettering, railings.
    Pan(f32),
    /// A detailed disc turns on a still, detailed background.
    Rotation,
    /// One line of lettering runs through an otherwise still picture.
    Ticker,
    /// Lettering that moves up, by no whole number of lines.
    Credits,
    /// A small object crosses a still scene.
    Passer,
    /// A pan over soft surfaces: one field alone has all the detail there is.
    Soft,
    /// Railings one line thick and a fine chequer stand still, an object passes them.
    FineLines,
    /// The same fine patterns move sideways.
    MovingFinePattern,
}

/// Painted contents that have both motion and detail.
pub const DETAILED: [(&str, Kind); 6] = [
    ("pan", Kind::Pan(2.37)),
    ("slow-pan", Kind::Pan(0.6)),
    ("rotation", Kind::Rotation),
    ("ticker", Kind::Ticker),
    ("credits", Kind::Credits),
    ("passer", Kind::Passer),
];

/// Painted contents that look like a fault where there is none.
pub const TRAPS: [(&str, Kind); 3] =
    [("soft", Kind::Soft), ("fine-lines", Kind::FineLines), ("moving-fine-pattern", Kind::MovingFinePattern)];

/// A real clip: file name, name of the content, moments per second.
const REAL: [(&str, &str, (u64, u64)); 2] =
    [("concert-1080p50.mov", "real-concert", (50, 1)), ("phone-1080p60.mp4", "real-phone", (60_000, 1001))];

/// Most moments read of a real clip.
const REAL_MOMENTS: usize = 100;

/// A content at a size.
pub struct Content {
    pub name: String,
    pub size: Size,
    /// Moments per second.
    pub rate: Rate,
    source: Source,
    kept: Mutex<HashMap<usize, Arc<Picture>>>,
}

enum Source {
    Painted(Kind, Box<Paints>),
    Real(Vec<Arc<Picture>>),
}

impl Content {
    pub fn painted(name: &str, size: Size) -> Self {
        let all = DETAILED.iter().chain(&TRAPS);
        let kind = all.copied().find(|(known, _)| *known == name).expect("a content of the list").1;
        let source = Source::Painted(kind, Box::new(Paints::new()));
        let rate = Rate::new(60_000, 1001).expect("a rate");
        Self { name: name.to_owned(), size, rate, source, kept: Mutex::default() }
    }

    /// The real contents at hand in these folders, scaled to `size`; says aloud which are not.
    pub fn real(folders: &[PathBuf], size: Size) -> Vec<Self> {
        let mut contents = Vec::new();
        for (file, name, (num, den)) in REAL {
            let Some(path) = folders.iter().map(|folder| folder.join(file)).find(|path| path.is_file())
            else {
                eprintln!("LEFT OUT: content {name}: {file} is in no folder of EVENBEAT_CLIPS");
                continue;
            };
            let source = Source::Real(pictures(&path, size));
            let rate = Rate::new(num, den).expect("a rate of the table");
            let name = format!("{name}-{}", size.height);
            contents.push(Self { name, size, rate, source, kept: Mutex::default() });
        }
        contents
    }

    /// Moments there are; painted contents never end.
    pub fn moments(&self) -> usize {
        match &self.source {
            Source::Painted(..) => usize::MAX,
            Source::Real(pictures) => pictures.len(),
        }
    }

    /// The picture of a moment: painted once, then kept.
    pub fn picture(&self, moment: usize) -> Arc<Picture> {
        let (kind, paints) = match &self.source {
            Source::Real(pictures) => return Arc::clone(&pictures[moment]),
            Source::Painted(kind, paints) => (*kind, paints),
        };
        if let Some(kept) = self.kept.lock().unwrap().get(&moment) {
            return Arc::clone(kept);
        }
        let painted =
            Arc::new(painted(self.size, |x, y| paints.colour(kind, (x, y), self.size, moment as f32)));
        self.kept.lock().unwrap().insert(moment, Arc::clone(&painted));
        painted
    }
}

fn pictures(path: &Path, size: Size) -> Vec<Arc<Picture>> {
    let bytes = decoded::pictures(path, (size.width, size.height), REAL_MOMENTS);
    let frames = bytes.chunks_exact(size.quartered_bytes());
    frames.map(|bytes| Arc::new(Picture::from_quartered(size, bytes))).collect()
}

/// Luma at every pixel, colour at the middle of each four.
fn painted(size: Size, colour: impl Fn(f32, f32) -> Colour) -> Picture {
    let code = |value: f32| value.round().clamp(16.0, 240.0) as u8;
    let (w, h) = (size.width, size.height);
    let mut bytes = Vec::with_capacity(size.quartered_bytes());
    for place in 0..w * h {
        bytes.push(code(colour((place % w) as f32, (place / w) as f32)[0]));
    }
    for component in [1, 2] {
        for place in 0..w / 2 * (h / 2) {
            let (x, y) = (place % (w / 2) * 2, place / (w / 2) * 2);
            bytes.push(code(colour(x as f32 + 0.5, y as f32 + 0.5)[component]));
        }
    }
    Picture::from_quartered(size, &bytes)
}

/// Everything the painter draws from, prepared once.
struct Paints {
    ground: Texture,
    tint: Texture,
    fine: Texture,
}

impl Paints {
    fn new() -> Self {
        Self { ground: Texture::new(811), tint: Texture::new(812), fine: Texture::new(813) }
    }

    fn colour(&self, kind: Kind, (x, y): (f32, f32), size: Size, moment: f32) -> Colour {
        let (w, h) = (size.width as f32, size.height as f32);
        match kind {
            Kind::Pan(speed) => self.street(x + speed * moment, y),
            Kind::Rotation => {
                let (dx, dy) = (x - w * 0.55, y - h * 0.5);
                if dx.hypot(dy) > h * 0.32 {
                    return self.street(x, y);
                }
                let (sin, cos) = (moment * 0.021).sin_cos();
                self.street(900.0 + dx * cos - dy * sin, 300.0 + dx * sin + dy * cos)
            }
            Kind::Ticker => {
                let line = (h * 0.82).floor();
                if !(line..line + 24.0).contains(&y) {
                    return self.street(x, y);
                }
                self.lettering((x + 2.6 * moment, y - line), [210.0, 128.0, 128.0], [44.0, 160.0, 110.0])
            }
            Kind::Credits => {
                let ground = [40.0 + 0.1 * self.ground.at(x * 0.3, y * 0.3), 140.0, 120.0];
                self.lettering((x, y + 1.37 * moment), [214.0, 110.0, 150.0], ground)
            }
            Kind::Passer => self.passer((x, y), (w, h), moment, self.street(x, y)),
            Kind::Soft => self.soft(x + 1.7 * moment, y),
            Kind::FineLines => self.passer((x, y), (w, h), moment, self.fine_pattern(x, y)),
            Kind::MovingFinePattern => self.fine_pattern(x + 1.3 * moment, y),
        }
    }

    /// A street: walls with fine texture, outlines, railings and lettering, in colour.
    fn street(&self, x: f32, y: f32) -> Colour {
        let wall = self.ground.at(x * 0.7, y * 0.7);
        let grain = self.grain(x, y);
        let tint = self.tint.at(x * 0.6, y * 0.6);
        let object = ((tint - 128.0) * 0.2).clamp(-1.0, 1.0);
        let luma = 40.0 + wall * 0.4 + grain * 0.35 + object * 30.0;
        let colour = [luma, 128.0 + object * 34.0, 128.0 - object * 28.0 + (wall - 128.0) * 0.15];
        let sign = self.tint.at(x * 0.25 + 200.0, y * 0.25 + 77.0);
        if sign > 165.0 {
            self.lettering((x, y), [205.0, 118.0, 140.0], colour)
        } else {
            colour
        }
    }

    /// What a texture has of detail two to four pixels wide, about zero.
    fn grain(&self, x: f32, y: f32) -> f32 {
        self.fine.at(x * 2.1, y * 2.1) - self.fine.at(x * 2.1 + 5.0, y * 2.1 + 7.0)
    }

    /// Strokes some two to four lines thick.
    fn lettering(&self, (x, y): (f32, f32), ink: Colour, ground: Colour) -> Colour {
        let gap = y.rem_euclid(24.0) > 18.0;
        let stroke = if gap { 0.0 } else { (self.grain(x * 0.8, y * 0.8) * 0.08).clamp(0.0, 1.0) };
        [0, 1, 2].map(|part| ground[part] + (ink[part] - ground[part]) * stroke)
    }

    fn passer(&self, (x, y): (f32, f32), (w, h): (f32, f32), moment: f32, ground: Colour) -> Colour {
        let way = (w * 0.15 + 1.9 * moment).rem_euclid(w + 60.0) - 30.0;
        let (dx, dy) = (x - way, y - h * 0.55);
        if (dx / 22.0).hypot(dy / 34.0) > 1.0 {
            return ground;
        }
        let coat = self.fine.at(500.0 + dx * 1.2, dy * 1.2);
        [70.0 + coat * 0.5, 98.0, 168.0]
    }

    /// Slow waves of light and colour: nothing changes by more than a code value or two from line to line.
    fn soft(&self, x: f32, y: f32) -> Colour {
        let wave = |scale: f32, slope: f32| (x * scale + y * slope).sin();
        [
            120.0 + 40.0 * wave(0.041, 0.017) + 22.0 * wave(0.023, -0.031),
            128.0 + 24.0 * wave(0.03, 0.02),
            128.0 - 24.0 * wave(0.025, -0.015),
        ]
    }

    /// Lines one pixel thick, a chequer of one pixel, and a slanted grid, by turns across the picture.
    fn fine_pattern(&self, x: f32, y: f32) -> Colour {
        let shade = 0.2 * (self.ground.at(x * 0.4, y * 0.4) - 128.0);
        let even_row = y.rem_euclid(2.0) < 1.0;
        let contrast = match (x / 48.0).rem_euclid(4.0) as u32 {
            0 if even_row => 60.0,
            0 => -60.0,
            1 if y.rem_euclid(8.0) < 1.0 => 90.0,
            1 => 0.0,
            2 => 45.0 * (x * std::f32::consts::PI * 0.45).sin() * if even_row { 1.0 } else { -1.0 },
            _ => 50.0 * ((x + 2.0 * y) * 0.9).sin(),
        };
        [120.0 + shade + contrast, 128.0 + contrast * 0.2, 128.0 - shade]
    }
}
