//! Scenes of the bench: painted, or read from a real clip. A scene gives picture number k, and says which
//! pictures have the same content as the one before.

use std::collections::HashMap;
use std::ops::Range;
use std::sync::{Arc, Mutex};

use evenbeat::demo::schedule::Shown;
use evenbeat::demo::texture::{Dice, Texture};
use evenbeat::demo::Harbour;
use evenbeat::frame::{Family, FrameShape, PixelFormat, Scan};
use evenbeat::testclip::settings::SIZES;
use evenbeat::testclip::{ClipPainter, ClipSettings};
use evenbeat::units::Rate;

use super::recordings::delivered;

/// Size of a bench frame, pixels; both even.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Size {
    pub width: usize,
    pub height: usize,
}

impl Size {
    pub fn shape(self) -> FrameShape {
        let pixel_format = PixelFormat { family: Family::Yuv { across: 1, down: 1 }, bit_depth: 8 };
        FrameShape { width: self.width as u32, height: self.height as u32, pixel_format }
    }
}

/// A value in luma and both colour differences at one place.
type Colour = [f32; 3];

/// Everything a painted scene draws from, prepared once.
pub struct Paints {
    ground: Texture,
    other: Texture,
    fine: Texture,
}

impl Paints {
    fn new() -> Self {
        Self { ground: Texture::new(101), other: Texture::new(202), fine: Texture::new(303) }
    }

    /// Textured surface with colour.
    fn surface(&self, x: f32, y: f32) -> Colour {
        let luma = self.ground.at(x, y);
        let tint = self.other.at(x * 0.5 + 90.0, y * 0.5);
        // A second texture cut off at a level makes outlines, as objects have.
        let object = ((self.other.at(x * 0.7, y * 0.7) - 128.0) * 0.15).clamp(-1.0, 1.0) * 28.0;
        [24.0 + luma * 0.65 + object, 128.0 + (tint - 128.0) * 0.3, 128.0 - (luma - 128.0) * 0.2]
    }
}

/// What is painted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// The whole picture moves by so many pixels per picture.
    Pan(f32),
    /// A textured disc turns on still ground.
    Rotation,
    /// One line of glyphs runs through an otherwise still picture.
    Ticker,
    /// A still picture grows darker and brighter.
    Fade,
    /// A slow pan; now and then a small area brightens for one picture.
    Flash,
    /// A pan that goes on elsewhere every 40 pictures.
    Cuts,
    /// Ripples in two directions, with a part that is new in every picture.
    Water,
    /// Leaves that sway by a pixel or two around where they are.
    Foliage,
    /// A slow zoom.
    Zoom,
    /// A head that hardly moves and a mouth that does.
    TalkingHead,
    /// Flat drawn figures, each drawing held for two or three pictures by the clip itself.
    Drawn,
    /// A pan that stands still at first, in the middle and at the end.
    StillStretches,
    /// The demo's own clip.
    HarbourTram,
}

/// A scene of the bench.
pub struct Scene {
    pub name: String,
    pub size: Size,
    source: Source,
    kept: Mutex<HashMap<u64, Arc<Vec<u8>>>>,
}

enum Source {
    Painted(Kind, Box<Paints>),
    Tram(Harbour),
    TestClip(Box<Mutex<ClipPainter>>),
    Real(Arc<Vec<Vec<u8>>>),
}

/// Every painted scene with its name.
pub const PAINTED: [(&str, Kind); 17] = [
    ("pan-0.3", Kind::Pan(0.3)),
    ("pan-1", Kind::Pan(1.0)),
    ("pan-3", Kind::Pan(3.0)),
    ("pan-8", Kind::Pan(8.0)),
    ("pan-15", Kind::Pan(15.0)),
    ("rotation", Kind::Rotation),
    ("ticker", Kind::Ticker),
    ("fade", Kind::Fade),
    ("flash", Kind::Flash),
    ("cuts", Kind::Cuts),
    ("water", Kind::Water),
    ("foliage", Kind::Foliage),
    ("zoom", Kind::Zoom),
    ("talking-head", Kind::TalkingHead),
    ("drawn", Kind::Drawn),
    ("still-stretches", Kind::StillStretches),
    ("harbour-tram", Kind::HarbourTram),
];

impl Scene {
    pub fn painted(name: &str, size: Size) -> Self {
        let kind = PAINTED.iter().find(|(known, _)| *known == name).expect("a scene of the list").1;
        let source = match kind {
            Kind::HarbourTram => Source::Tram(Harbour::new(size.shape(), 1.0)),
            _ => Source::Painted(kind, Box::new(Paints::new())),
        };
        Self { name: name.to_owned(), size, source, kept: Mutex::default() }
    }

    /// A scene from pictures of a real clip.
    pub fn real(name: &str, size: Size, pictures: Arc<Vec<Vec<u8>>>) -> Self {
        Self { name: name.to_owned(), size, source: Source::Real(pictures), kept: Mutex::default() }
    }

    /// The test clip at 480 lines with so many pictures.
    pub fn test_clip(rate: Rate, pictures: u64) -> Self {
        let (_, size) = SIZES[0];
        let settings = ClipSettings {
            size,
            rate,
            scan: Scan::Progressive,
            pulldown: None,
            bit_depth: 8,
            frames: pictures,
        };
        let painter = ClipPainter::new(&settings).expect("a clip that can be painted");
        let size = Size { width: size.width as usize, height: size.height as usize };
        let source = Source::TestClip(Box::new(Mutex::new(painter)));
        Self { name: "test-clip".to_owned(), size, source, kept: Mutex::default() }
    }

    fn kind(&self) -> Option<Kind> {
        match &self.source {
            Source::Painted(kind, _) => Some(*kind),
            Source::Tram(_) => Some(Kind::HarbourTram),
            Source::TestClip(_) | Source::Real(_) => None,
        }
    }

    /// Pictures there are; other painted scenes never end.
    pub fn pictures(&self) -> u64 {
        match &self.source {
            Source::Real(pictures) => pictures.len() as u64,
            Source::TestClip(painter) => painter.lock().unwrap().frames(),
            _ => u64::MAX,
        }
    }

    /// Whether it comes from a real clip.
    pub fn is_real(&self) -> bool {
        matches!(self.source, Source::Real(_))
    }

    /// Number of the content that picture `k` shows: equal numbers, equal pixels.
    pub fn content(&self, k: u64) -> u64 {
        match self.kind() {
            Some(Kind::Drawn) => drawing(k),
            Some(Kind::StillStretches) => k - STILL.iter().map(|s| stood(s, k)).sum::<u64>(),
            _ => k,
        }
    }

    /// Whether the clip itself stands still at picture `k` for long enough to be called still.
    pub fn stands_still(&self, k: u64) -> bool {
        self.kind() == Some(Kind::StillStretches) && STILL.iter().any(|stretch| stretch.contains(&k))
    }

    /// Whether picture `k` begins another shot.
    pub fn cut_at(&self, k: u64) -> bool {
        self.kind() == Some(Kind::Cuts) && k > 0 && k % SHOT == 0
    }

    /// Whether the motion is the same from picture to picture, so that lost pictures can be counted.
    pub fn moves_steadily(&self) -> bool {
        matches!(self.kind(), Some(Kind::Pan(_) | Kind::Rotation | Kind::Ticker | Kind::HarbourTram))
    }

    /// Picture `k` as packed 4:2:0; painted once, then kept, but for those of the test clip, which are large and quickly
    /// painted.
    pub fn picture(&self, k: u64) -> Arc<Vec<u8>> {
        if let Source::TestClip(painter) = &self.source {
            return Arc::new(painter.lock().unwrap().paint(k).to_vec());
        }
        let content = self.content(k);
        if let Some(kept) = self.kept.lock().unwrap().get(&content) {
            return Arc::clone(kept);
        }
        let mut samples = Vec::new();
        self.paint(k, &mut samples);
        let painted = Arc::new(samples);
        self.kept.lock().unwrap().insert(content, Arc::clone(&painted));
        painted
    }

    /// What a frame shows for which a delivery lists `shown`: where a mix, in whole code values, comes out as one of its pictures
    /// in every sample, it is that picture.
    pub fn rounded(&self, shown: Shown) -> Shown {
        let Shown::Mix { first, second, .. } = shown else { return shown };
        if self.content(first) == self.content(second) {
            return Shown::Picture(first);
        }
        let mut samples = Vec::new();
        delivered(self, shown, &mut samples);
        let is = |picture: u64| *self.picture(picture) == samples;
        [first, second].into_iter().find(|&picture| is(picture)).map_or(shown, Shown::Picture)
    }

    fn paint(&self, k: u64, samples: &mut Vec<u8>) {
        match &self.source {
            Source::Tram(harbour) => harbour.paint(k, samples),
            Source::TestClip(_) => unreachable!("is painted anew each time"),
            Source::Real(pictures) => samples.clone_from(&pictures[k as usize]),
            Source::Painted(kind, paints) => {
                let content = self.content(k) as f32;
                let number = self.content(k);
                let (w, h) = (self.size.width as f32, self.size.height as f32);
                match *kind {
                    Kind::Pan(v) => self.fill(samples, |x, y| pan(paints, x, y, v * content)),
                    Kind::Rotation => self.fill(samples, |x, y| rotation(paints, (x, y), (w, h), content)),
                    Kind::Ticker => self.fill(samples, |x, y| ticker(paints, (x, y), h, content)),
                    Kind::Fade => {
                        let gain = fade_gain(number);
                        self.fill(samples, |x, y| faded(paints.surface(x, y), gain));
                    }
                    Kind::Flash => {
                        let lit = number % 37 == 5;
                        self.fill(samples, |x, y| flash(paints, (x, y), (w, h), (content, lit)));
                    }
                    Kind::Cuts => {
                        let shot = (number / SHOT) as f32;
                        let way = (number % SHOT) as f32 * 2.0;
                        self.fill(samples, |x, y| {
                            paints.surface(x + shot * 173.0 + way, y + shot * 91.0 + 0.3 * way)
                        });
                    }
                    Kind::Water => {
                        let mut dice = Dice::new(number + 1);
                        let spark = (dice.below(512) as f32, dice.below(512) as f32);
                        self.fill(samples, |x, y| water(paints, (x, y), content, spark));
                    }
                    Kind::Foliage => self.fill(samples, |x, y| foliage(paints, x, y, content)),
                    Kind::Zoom => {
                        let scale = 1.0 / (1.0 + 0.0015 * content);
                        self.fill(samples, |x, y| {
                            paints.surface(200.0 + (x - w / 2.0) * scale, 200.0 + (y - h / 2.0) * scale)
                        });
                    }
                    Kind::TalkingHead => self.fill(samples, |x, y| head(paints, (x, y), (w, h), content)),
                    Kind::Drawn => self.fill(samples, |x, y| drawn((x, y), (w, h), content)),
                    Kind::StillStretches => self.fill(samples, |x, y| pan(paints, x, y, 2.0 * content)),
                    Kind::HarbourTram => unreachable!("has a painter of its own"),
                }
            }
        }
    }

    /// Fills the planes from a colour per place: luma at every pixel, colour at the middle of each four.
    fn fill(&self, samples: &mut Vec<u8>, colour: impl Fn(f32, f32) -> Colour) {
        let Size { width, height } = self.size;
        samples.resize(width * height * 3 / 2, 0);
        let code = |value: f32| value.round().clamp(1.0, 254.0) as u8;
        let (luma, chroma) = samples.split_at_mut(width * height);
        for (y, row) in luma.chunks_exact_mut(width).enumerate() {
            for (x, sample) in row.iter_mut().enumerate() {
                *sample = code(colour(x as f32, y as f32)[0]);
            }
        }
        let (blue, red) = chroma.split_at_mut(width / 2 * height / 2);
        let rows = blue.chunks_exact_mut(width / 2).zip(red.chunks_exact_mut(width / 2));
        for (y, (blue, red)) in rows.enumerate() {
            for (x, (blue, red)) in blue.iter_mut().zip(red).enumerate() {
                let [_, b, r] = colour(x as f32 * 2.0 + 0.5, y as f32 * 2.0 + 0.5);
                (*blue, *red) = (code(b), code(r));
            }
        }
    }
}

/// Pictures per shot of the scene with cuts.
const SHOT: u64 = 40;
/// Pictures at which the scene with still stretches shows the picture before again.
const STILL: [Range<u64>; 3] = [1..30, 90..126, 200..100_000];

/// Pictures of a still stretch that lie at or before `k`.
fn stood(stretch: &Range<u64>, k: u64) -> u64 {
    (k + 1).clamp(stretch.start, stretch.end) - stretch.start
}

/// The drawing that picture `k` shows: holds of 2, 3, 2, 2, 4 pictures.
fn drawing(k: u64) -> u64 {
    let (round, within) = (k / 13, k % 13);
    round * 5 + [0, 0, 1, 1, 1, 2, 2, 3, 3, 4, 4, 4, 4][within as usize]
}

fn pan(paints: &Paints, x: f32, y: f32, way: f32) -> Colour {
    paints.surface(x + way, y + 0.17 * way)
}

fn rotation(paints: &Paints, (x, y): (f32, f32), (w, h): (f32, f32), k: f32) -> Colour {
    let (dx, dy) = (x - w * 0.6, y - h * 0.5);
    if dx.hypot(dy) > h * 0.3 {
        return paints.surface(x, y);
    }
    let (sin, cos) = (k * 0.04).sin_cos();
    paints.surface(300.0 + dx * cos - dy * sin, 300.0 + dx * sin + dy * cos)
}

fn ticker(paints: &Paints, (x, y): (f32, f32), h: f32, k: f32) -> Colour {
    let line = h - 30.0;
    if !(line..line + 16.0).contains(&y) {
        return paints.surface(x, y);
    }
    let stroke = (paints.fine.at((x + 2.0 * k) * 1.3, (y - line) * 0.9) - 135.0) * 0.12;
    [40.0 + 180.0 * stroke.clamp(0.0, 1.0), 128.0, 128.0]
}

/// 1 down to 0.3 and back in 280 pictures.
fn fade_gain(k: u64) -> f32 {
    let phase = (k % 280) as f32;
    1.0 - 0.7 * (if phase < 140.0 { phase } else { 280.0 - phase }) / 140.0
}

fn faded([luma, blue, red]: Colour, gain: f32) -> Colour {
    [16.0 + (luma - 16.0) * gain, 128.0 + (blue - 128.0) * gain, 128.0 + (red - 128.0) * gain]
}

fn flash(paints: &Paints, (x, y): (f32, f32), (w, h): (f32, f32), (k, lit): (f32, bool)) -> Colour {
    let mut colour = paints.surface(x + 0.8 * k, y);
    let inside = (x - w * 0.3).abs() < w * 0.06 && (y - h * 0.4).abs() < h * 0.08;
    if lit && inside {
        colour[0] = (colour[0] + 60.0).min(235.0);
    }
    colour
}

fn water(paints: &Paints, (x, y): (f32, f32), k: f32, spark: (f32, f32)) -> Colour {
    let near = paints.ground.at(x * 1.5 + 1.1 * k, y * 2.0 + 0.3 * k);
    let far = paints.other.at(x - 0.7 * k, y * 2.0 + 0.9 * k);
    let glitter = paints.fine.at(x * 1.9 + spark.0, y * 1.9 + spark.1);
    [30.0 + 0.28 * near + 0.28 * far + 0.2 * glitter, 138.0, 116.0]
}

fn foliage(paints: &Paints, x: f32, y: f32, k: f32) -> Colour {
    let phase = paints.other.at(x * 0.125, y * 0.125) / 16.0;
    let (sway, dip) = ((0.35 * k + phase).sin() * 1.6, (0.27 * k + 1.7 * phase).cos() * 0.9);
    let leaves = paints.fine.at(x * 1.4 + sway, y * 1.4 + dip);
    let mass = paints.ground.at(x * 0.5 + 0.5 * sway, y * 0.5);
    [20.0 + 0.5 * leaves + 0.25 * mass, 112.0, 118.0]
}

fn head(paints: &Paints, (x, y): (f32, f32), (w, h): (f32, f32), k: f32) -> Colour {
    let (nod, turn) = ((0.021 * k).sin() * 0.8, (0.013 * k).cos() * 1.2);
    let (dx, dy) = (x - w * 0.5 - turn, y - h * 0.45 - nod);
    let face = (dx / (w * 0.13)).hypot(dy / (h * 0.3));
    if face > 1.0 {
        return paints.surface(x * 0.6, y * 0.6);
    }
    let skin = paints.fine.at(300.0 + dx * 0.4, 300.0 + dy * 0.4);
    // Two speech rhythms that never rest together: the mouth differs from picture to picture.
    let open = 0.035 + 0.02 * (0.5 * k).sin() + 0.012 * (1.3 * k + 1.0).sin();
    let mouth = (dx / (w * 0.045)).hypot((dy - h * 0.14) / (h * open));
    let lips = ((1.0 - mouth) * 4.0).clamp(0.0, 1.0);
    let luma = 120.0 + 0.25 * skin;
    [luma + (45.0 - luma) * lips, 112.0, 150.0]
}

fn drawn((x, y): (f32, f32), (w, h): (f32, f32), drawing: f32) -> Colour {
    let way = (drawing * 7.0) % w;
    let bounce = (drawing * 0.9).sin() * h * 0.08;
    let body = (x - way).hypot(y - h * 0.6 - bounce) < h * 0.15;
    let eye = (x - way - h * 0.05).hypot(y - h * 0.56 - bounce) < h * 0.025;
    if eye {
        return [30.0, 128.0, 128.0];
    }
    if body {
        return [170.0, 90.0, 160.0];
    }
    if y > h * 0.75 {
        [80.0, 110.0, 110.0]
    } else {
        [200.0, 150.0, 110.0]
    }
}

/// Pictures with different content must not look the same, else the truth would be wrong.
pub fn neighbours_differ(scene: &Scene, pictures: u64) -> Result<(), String> {
    for k in 1..pictures.min(scene.pictures()) {
        let same_content = scene.content(k) == scene.content(k - 1);
        if (scene.picture(k) == scene.picture(k - 1)) != same_content {
            return Err(format!("{}: picture {k}: pixels and content disagree", scene.name));
        }
    }
    Ok(())
}
