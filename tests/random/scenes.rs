//! Families of scenes, every parameter drawn from a seed. A scene gives picture k; which pictures are alike is read
//! from their samples.

use std::f32::consts::TAU;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use evenbeat::demo::texture::Texture;

use super::draw::{scrambled, speck, Draw};
use super::pictures::{Colour, Frame, Size};
use crate::decoded;

/// The colour of picture k at a place.
type Paint = Box<dyn Fn(u64, f32, f32) -> Colour + Send + Sync>;

/// A scene: painted, or read from a clip.
pub struct Scene {
    pub family: String,
    pub size: Size,
    pub look: Look,
    source: Source,
}

/// What is known of a scene besides its pictures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// All of it moves the same way from picture to picture, so that lost pictures can be counted.
    Steady,
    /// Nothing changes but grain that is new in every picture: alone it looks like a noisy recorder.
    OnlyGrain,
    Other,
}

enum Source {
    Painted(Paint),
    /// A clip whose pictures are read on first use.
    Clip(PathBuf, OnceLock<Vec<Vec<u8>>>),
}

impl Scene {
    /// A scene of the family at that place of [`FAMILIES`].
    pub fn drawn(family: usize, draw: &mut Draw, size: Size) -> Self {
        let (name, look, paint) = FAMILIES[family];
        Self { family: name.to_owned(), size, look, source: Source::Painted(paint(draw, size)) }
    }

    /// A clip, its pictures scaled to `size`.
    pub fn of_clip(name: &str, size: Size, path: PathBuf) -> Self {
        Self { family: name.to_owned(), size, look: Look::Other, source: Source::Clip(path, OnceLock::new()) }
    }

    /// Pictures there are; painted scenes never end.
    pub fn pictures(&self) -> u64 {
        match &self.source {
            Source::Painted(_) => u64::MAX,
            Source::Clip(path, pictures) => self.read(path, pictures).len() as u64,
        }
    }

    pub fn picture(&self, k: u64, depth: u8) -> Frame {
        match &self.source {
            Source::Painted(paint) => Frame::painted(self.size, depth, |x, y| paint(k, x, y)),
            Source::Clip(path, pictures) => Frame::from_bytes(&self.read(path, pictures)[k as usize], depth),
        }
    }

    fn read<'a>(&self, path: &Path, pictures: &'a OnceLock<Vec<Vec<u8>>>) -> &'a [Vec<u8>] {
        let size = self.size;
        pictures.get_or_init(|| {
            let bytes = decoded::pictures(path, (size.width, size.height), CLIP_PICTURES);
            bytes.chunks_exact(size.width * size.height * 3 / 2).map(<[u8]>::to_vec).collect()
        })
    }
}

/// Pictures read of a clip.
const CLIP_PICTURES: usize = 170;

type Family = fn(&mut Draw, Size) -> Paint;

/// Every family with its name.
pub const FAMILIES: [(&str, Look, Family); 27] = [
    ("panned-grain", Look::Steady, panned_grain),
    ("smooth-pan", Look::Steady, smooth_pan),
    ("bars", Look::Other, bars),
    ("checks", Look::Other, checks),
    ("rays", Look::Other, rays),
    ("lettering", Look::Steady, lettering),
    ("particles", Look::Other, particles),
    ("faint-slope", Look::Other, faint_slope),
    ("small-thing", Look::Other, small_thing),
    ("foliage", Look::Other, foliage),
    ("water", Look::Other, water),
    ("grain-over-still", Look::OnlyGrain, grain_over_still),
    ("grain-over-pan", Look::Steady, grain_over_pan),
    ("zoom", Look::Other, zoom),
    ("rotation", Look::Other, rotation),
    ("cross-fade", Look::Other, cross_fade),
    ("flicker", Look::Other, flicker),
    ("scrolling-table", Look::Steady, scrolling_table),
    ("split-screen", Look::Other, split_screen),
    ("dark", Look::Other, dark),
    ("drawn", Look::Other, drawn_animation),
    ("still-view", Look::Other, still_view),
    ("standing", Look::Other, standing),
    ("shake", Look::Other, shake),
    ("cuts", Look::Other, cuts),
    ("parallax", Look::Other, parallax),
    ("card", Look::Other, card),
];

/// Grey with no colour.
fn grey(luma: f32) -> Colour {
    [luma, 128.0, 128.0]
}

/// A textured surface with a contrast, a level and a tint of its own.
struct Surface {
    texture: Texture,
    contrast: f32,
    level: f32,
    tint: f32,
    size: f32,
}

impl Surface {
    fn drawn(draw: &mut Draw) -> Self {
        Self {
            texture: Texture::new(draw.whole(1, 1 << 30)),
            contrast: draw.real(0.3, 0.85),
            level: draw.real(20.0, 60.0),
            tint: draw.real(-0.3, 0.3),
            size: draw.scale(0.5, 2.0),
        }
    }

    fn at(&self, x: f32, y: f32) -> Colour {
        let value = self.texture.at(x * self.size, y * self.size);
        let tint = (value - 128.0) * self.tint;
        [self.level + self.contrast * value, 128.0 + tint, 128.0 - 0.7 * tint]
    }
}

/// A velocity in pixels per picture, whole pixels as often as parts of them.
fn velocity(draw: &mut Draw, slowest: f32, fastest: f32) -> (f32, f32) {
    let speed = draw.scale(slowest, fastest);
    let anywhere = draw.real(0.0, 1.0);
    let (down, across) = (TAU * draw.pick(&[0.0, 0.25, anywhere])).sin_cos();
    let (x, y) = (speed * across, speed * down);
    if draw.chance(0.5) {
        let whole = |v: f32| v.round();
        return if whole(x) == 0.0 && whole(y) == 0.0 { (1.0, 0.0) } else { (whole(x), whole(y)) };
    }
    (x, y)
}

/// Independent noise as a texture, linear between its samples.
fn grain_texture(x: f32, y: f32, salt: u64) -> f32 {
    let (left, top) = (x.floor(), y.floor());
    let (across, down) = (x - left, y - top);
    let at = |dx: i64, dy: i64| speck(left as i64 + dx, top as i64 + dy, salt);
    let row = |dy| if across == 0.0 { at(0, dy) } else { at(0, dy) + (at(1, dy) - at(0, dy)) * across };
    if down == 0.0 {
        row(0)
    } else {
        row(0) + (row(1) - row(0)) * down
    }
}

fn panned_grain(draw: &mut Draw, _: Size) -> Paint {
    let (salt, (vx, vy)) = (draw.seed(), velocity(draw, 0.5, 9.0));
    let span = draw.scale(12.0, 219.0);
    let low = draw.real(16.0, 235.0 - span);
    Box::new(move |k, x, y| grey(low + span * grain_texture(x + vx * k as f32, y + vy * k as f32, salt)))
}

fn smooth_pan(draw: &mut Draw, _: Size) -> Paint {
    let (surface, (vx, vy)) = (Surface::drawn(draw), velocity(draw, 0.3, 14.0));
    Box::new(move |k, x, y| surface.at(x + vx * k as f32, y + vy * k as f32))
}

/// A wave of period 1: a square or a sine.
fn wave(phase: f32, square: bool) -> f32 {
    if square {
        f32::from(phase.rem_euclid(1.0) < 0.5)
    } else {
        0.5 + 0.5 * (phase * TAU).sin()
    }
}

fn bars(draw: &mut Draw, _: Size) -> Paint {
    let (period, square) = (draw.scale(5.0, 64.0).round(), draw.chance(0.6));
    let slant = draw.pick(&[(1.0, 0.0), (0.0, 1.0), (0.7, 0.7), (1.0, 0.3)]);
    // Never a whole period from picture to picture, which would stand still.
    let speed = draw.scale(0.5, period * 0.45);
    let speed = if draw.chance(0.5) { speed.ceil() } else { speed };
    let span = draw.scale(10.0, 190.0);
    Box::new(move |k, x, y| {
        grey(30.0 + span * wave((x * slant.0 + y * slant.1 + speed * k as f32) / period, square))
    })
}

fn checks(draw: &mut Draw, _: Size) -> Paint {
    let (side, (vx, vy)) = (draw.scale(3.0, 40.0).round(), velocity(draw, 0.5, 6.0));
    let span = draw.scale(10.0, 190.0);
    let colour = draw.real(-40.0, 40.0);
    // Moves by less than a check, so that no picture looks like the one before.
    let (vx, vy) = (vx.clamp(-0.8 * side, 0.8 * side), vy.clamp(-0.8 * side, 0.8 * side));
    Box::new(move |k, x, y| {
        let (across, down) = ((x + vx * k as f32) / side, (y + vy * k as f32) / side);
        let lit = (across.floor() + down.floor()).rem_euclid(2.0);
        [30.0 + span * lit, 128.0 + colour * lit, 128.0]
    })
}

fn rays(draw: &mut Draw, size: Size) -> Paint {
    let (number, square) = (draw.whole(3, 24) as f32, draw.chance(0.6));
    let turn = draw.scale(0.004, 0.4) / number;
    let (cx, cy) = (size.width as f32 * draw.real(0.2, 0.8), size.height as f32 * draw.real(0.2, 0.8));
    let span = draw.scale(15.0, 190.0);
    Box::new(move |k, x, y| {
        let angle = (y - cy).atan2(x - cx) / TAU;
        grey(30.0 + span * wave(number * (angle + turn * k as f32), square))
    })
}

/// Whether a place of a page of made-up letters is inked. A letter takes 8 × 12 places.
fn inked(column: i64, row: i64, salt: u64) -> bool {
    let (letter, line) = (column.div_euclid(8), row.div_euclid(12));
    let (x, y) = (column.rem_euclid(8), row.rem_euclid(12));
    let blank = x >= 6 || y >= 9 || speck(letter, line, salt) < 0.18;
    !blank && speck(letter * 3 + x / 2, line * 3 + y / 3, salt ^ 7) < 0.5
}

fn lettering(draw: &mut Draw, _: Size) -> Paint {
    let (salt, zoom) = (draw.seed(), draw.pick(&[1.0, 1.0, 2.0, 3.0]));
    let rows = draw.pick(&[0.5, 1.0, 1.0, 2.0, 2.0, 3.0, 4.0]);
    let sideways = draw.chance(0.25);
    let (paper, ink) = draw.pick(&[(16.0, 220.0), (235.0, 30.0), (60.0, 180.0), (40.0, 70.0)]);
    Box::new(move |k, x, y| {
        let way = rows * k as f32;
        let (x, y) = if sideways { (x + way, y) } else { (x, y + way) };
        grey(if inked((x / zoom).floor() as i64, (y / zoom).floor() as i64, salt) { ink } else { paper })
    })
}

fn particles(draw: &mut Draw, _: Size) -> Paint {
    let ground = Surface::drawn(draw);
    let dimmed = draw.pick(&[0.0, 0.5]);
    let (salt, share, radius) = (draw.seed(), draw.real(0.05, 0.6), draw.real(0.8, 4.0));
    let light = draw.scale(15.0, 150.0);
    let layers: Vec<(f32, f32)> = (0..draw.whole(1, 3)).map(|_| velocity(draw, 0.4, 6.0)).collect();
    Box::new(move |k, x, y| {
        /// Side of the cells that hold a particle or none, pixels.
        const CELL: f32 = 20.0;
        let mut colour = ground.at(x, y);
        colour[0] = 30.0 + dimmed * (colour[0] - 30.0);
        for (number, (vx, vy)) in layers.iter().enumerate() {
            let (x, y) = (x + vx * k as f32, y + vy * k as f32);
            let (column, row) = ((x / CELL).floor(), (y / CELL).floor());
            let throw = |turn: u64| speck(column as i64, row as i64, salt ^ (turn + 8 * number as u64));
            if throw(0) < share {
                let within = |turn| radius + throw(turn) * (CELL - 2.0 * radius);
                let away = (x - column * CELL - within(1)).hypot(y - row * CELL - within(2));
                colour[0] += light * (radius + 0.5 - away).clamp(0.0, 1.0);
            }
        }
        colour
    })
}

fn faint_slope(draw: &mut Draw, size: Size) -> Paint {
    // The slope and its motion: luma changes by so many code values per picture.
    let step = draw.scale(0.2, 3.0);
    let slope = draw.scale(0.04, 0.5);
    let speed = step / slope;
    let turn = draw.real(0.0, TAU);
    let (down, across) = turn.sin_cos();
    let period = size.width as f32 * draw.real(0.8, 2.0);
    let level = draw.real(30.0, 100.0);
    Box::new(move |k, x, y| {
        let place = (x * across + y * down + speed * k as f32).rem_euclid(2.0 * period);
        grey(level + slope * if place < period { place } else { 2.0 * period - place })
    })
}

fn small_thing(draw: &mut Draw, size: Size) -> Paint {
    let surface = Surface::drawn(draw);
    let side = draw.real(6.0, 26.0);
    let (light, round) = (draw.pick(&[-60.0, -25.0, 25.0, 60.0]), draw.chance(0.5));
    let (vx, vy) = velocity(draw, 0.5, 6.0);
    let (x0, y0) = (draw.real(0.0, size.width as f32), draw.real(0.0, size.height as f32));
    let (w, h) = (size.width as f32, size.height as f32);
    Box::new(move |k, x, y| {
        let (cx, cy) = ((x0 + vx * k as f32).rem_euclid(w), (y0 + vy * k as f32).rem_euclid(h));
        let (dx, dy) = ((x - cx).abs(), (y - cy).abs());
        let away = if round { dx.hypot(dy) } else { dx.max(dy) };
        let mut colour = surface.at(x, y);
        colour[0] += light * (side / 2.0 - away).clamp(0.0, 1.0);
        colour
    })
}

fn foliage(draw: &mut Draw, _: Size) -> Paint {
    let (leaves, mass) = (Surface::drawn(draw), Texture::new(draw.whole(1, 1 << 30)));
    let (sway, dip) = (draw.scale(0.3, 3.0), draw.scale(0.2, 2.0));
    let (quick, slow) = (draw.real(0.15, 0.6), draw.real(0.1, 0.4));
    let fine = draw.real(1.0, 2.5);
    Box::new(move |k, x, y| {
        let phase = mass.at(x * 0.125, y * 0.125) / 16.0;
        let dx = sway * (quick * k as f32 + phase).sin();
        let dy = dip * (slow * k as f32 + 1.7 * phase).cos();
        let [luma, ..] = leaves.at(x * fine + dx, y * fine + dy);
        [luma * 0.75 + 0.2 * mass.at(x * 0.4, y * 0.4), 112.0, 118.0]
    })
}

fn water(draw: &mut Draw, _: Size) -> Paint {
    let (near, far) = (Surface::drawn(draw), Surface::drawn(draw));
    let ((ax, ay), (bx, by)) = (velocity(draw, 0.3, 2.0), velocity(draw, 0.3, 2.0));
    let (glitter, salt) = (draw.pick(&[0.0, 0.0, 12.0, 40.0]), draw.seed());
    Box::new(move |k, x, y| {
        let t = k as f32;
        let [a, ..] = near.at(x + ax * t, 2.0 * y + ay * t);
        let [b, ..] = far.at(x - bx * t, 2.0 * y + by * t);
        let spark = speck(x as i64 / 2, y as i64, salt ^ scrambled(k));
        [0.5 * (a + b) + glitter * (spark - 0.9).max(0.0) * 10.0, 138.0, 116.0]
    })
}

/// Grain of film, new in every picture: near enough to Gaussian, of a standard deviation in code values.
fn film_grain(k: u64, x: f32, y: f32, (salt, deviation, clump): (u64, f32, f32)) -> f32 {
    let seen = |turn: u64| grain_texture(x / clump, y / clump, salt ^ scrambled(4 * k + turn)) - 0.5;
    // Three evenly spread numbers have together a standard deviation of a half.
    2.0 * deviation * (seen(0) + seen(1) + seen(2))
}

fn grain(draw: &mut Draw) -> (u64, f32, f32) {
    (draw.seed(), draw.scale(1.0, 9.0), draw.pick(&[1.0, 1.0, 1.7, 2.5]))
}

fn grain_over_still(draw: &mut Draw, _: Size) -> Paint {
    let (surface, grain) = (Surface::drawn(draw), grain(draw));
    Box::new(move |k, x, y| {
        let mut colour = surface.at(x, y);
        colour[0] += film_grain(k, x, y, grain);
        colour
    })
}

fn grain_over_pan(draw: &mut Draw, _: Size) -> Paint {
    let (surface, grain, (vx, vy)) = (Surface::drawn(draw), grain(draw), velocity(draw, 0.3, 8.0));
    Box::new(move |k, x, y| {
        let mut colour = surface.at(x + vx * k as f32, y + vy * k as f32);
        colour[0] += film_grain(k, x, y, grain);
        colour
    })
}

fn zoom(draw: &mut Draw, size: Size) -> Paint {
    let surface = Surface::drawn(draw);
    let rate = draw.scale(0.0008, 0.02) * draw.pick(&[1.0, -1.0]);
    let (cx, cy) = (size.width as f32 * draw.real(0.2, 0.8), size.height as f32 * draw.real(0.2, 0.8));
    Box::new(move |k, x, y| {
        // There and back, so that no picture becomes flat.
        let way = (k % 240) as f32;
        let scale = (rate * if way < 120.0 { way } else { 240.0 - way }).exp();
        surface.at(200.0 + (x - cx) * scale, 200.0 + (y - cy) * scale)
    })
}

fn rotation(draw: &mut Draw, size: Size) -> Paint {
    let (ground, disc) = (Surface::drawn(draw), Surface::drawn(draw));
    let turn = draw.scale(0.004, 0.15) * draw.pick(&[1.0, -1.0]);
    let radius = size.height as f32 * draw.pick(&[0.15, 0.3, 0.5, 9.0]);
    let (cx, cy) = (size.width as f32 * draw.real(0.3, 0.7), size.height as f32 * draw.real(0.3, 0.7));
    Box::new(move |k, x, y| {
        let (dx, dy) = (x - cx, y - cy);
        if dx.hypot(dy) > radius {
            return ground.at(x, y);
        }
        let (sin, cos) = (turn * k as f32).sin_cos();
        disc.at(300.0 + dx * cos - dy * sin, 300.0 + dx * sin + dy * cos)
    })
}

fn cross_fade(draw: &mut Draw, _: Size) -> Paint {
    let (one, other) = (Surface::drawn(draw), Surface::drawn(draw));
    let length = draw.whole(12, 90);
    let pan = velocity(draw, 0.3, 3.0);
    let (vx, vy) = draw.pick(&[(0.0, 0.0), (0.0, 0.0), pan]);
    Box::new(move |k, x, y| {
        let way = (k % (2 * length)) as f32 / length as f32;
        let weight = if way < 1.0 { way } else { 2.0 - way };
        let (x, y) = (x + vx * k as f32, y + vy * k as f32);
        let (a, b) = (one.at(x, y), other.at(x, y));
        [0, 1, 2].map(|plane| a[plane] + (b[plane] - a[plane]) * weight)
    })
}

fn flicker(draw: &mut Draw, _: Size) -> Paint {
    let (surface, (vx, vy)) = (Surface::drawn(draw), velocity(draw, 0.3, 5.0));
    let (depth, salt) = (draw.scale(0.005, 0.12), draw.seed());
    let rate = draw.pick(&[0.0, 0.12, 0.23, 0.41]);
    Box::new(move |k, x, y| {
        let wave =
            if rate == 0.0 { 2.0 * speck(k as i64, 0, salt) - 1.0 } else { (TAU * rate * k as f32).sin() };
        let mut colour = surface.at(x + vx * k as f32, y + vy * k as f32);
        colour[0] = 16.0 + (colour[0] - 16.0) * (1.0 + depth * wave);
        colour
    })
}

fn scrolling_table(draw: &mut Draw, size: Size) -> Paint {
    let (salt, rows) = (draw.seed(), draw.pick(&[1.0, 1.0, 2.0, 3.0, 5.0]));
    let (head, side) = (draw.whole(16, 48) as f32, draw.pick(&[0.0, 60.0]));
    let width = draw.whole(40, 100) as f32;
    let dark = draw.chance(0.4);
    let right = size.width as f32;
    Box::new(move |k, x, y| {
        /// Rows of a line of the table.
        const LINE: f32 = 18.0;
        let page = y >= head && x >= side && x < right - 12.0;
        let row = if page { y + rows * k as f32 } else { y };
        let rule = x.rem_euclid(width) < 1.0 || row.rem_euclid(LINE) < 1.0;
        let stripe = (row / LINE).floor().rem_euclid(2.0) * 8.0;
        let ink = inked(x as i64, row.floor() as i64, salt ^ u64::from(page));
        let luma = if ink {
            40.0
        } else if rule {
            150.0
        } else {
            215.0 + stripe
        };
        grey(if dark { 250.0 - luma } else { luma })
    })
}

/// Parts of the picture with cadences of their own, one of which stands.
fn split_screen(draw: &mut Draw, size: Size) -> Paint {
    let surface = Surface::drawn(draw);
    let (vx, vy) = velocity(draw, 0.5, 5.0);
    let cadences = [(0, 1), (1, 1), (1, 2), (2, 3), (4, 5)];
    let mut share = || draw.pick(&cadences[1..]);
    let parts = [cadences[0], share(), share(), share()];
    let turn = draw.whole(0, 3) as usize;
    let columns = draw.pick(&[2, 2, 4]) as f32;
    let width = size.width as f32;
    Box::new(move |k, x, y| {
        let part = (x * columns / width) as usize;
        let (p, q) = parts[(part + turn) % columns as usize % parts.len()];
        let way = (k * p / q) as f32;
        surface.at(x + vx * way + 90.0 * part as f32, y + vy * way)
    })
}

fn dark(draw: &mut Draw, size: Size) -> Paint {
    let (surface, (vx, vy)) = (Surface::drawn(draw), velocity(draw, 0.5, 6.0));
    let span = draw.scale(6.0, 30.0) / 255.0;
    let lamp = draw.chance(0.4).then(|| (draw.real(0.0, 1.0), draw.real(0.0, 1.0)));
    let (w, h) = (size.width as f32, size.height as f32);
    Box::new(move |k, x, y| {
        let [luma, ..] = surface.at(x + vx * k as f32, y + vy * k as f32);
        let glow = lamp.map_or(0.0, |(cx, cy)| 90.0 * (-(x - cx * w).hypot(y - cy * h) / 12.0).exp());
        grey(16.0 + span * luma + glow)
    })
}

fn drawn_animation(draw: &mut Draw, size: Size) -> Paint {
    let holds: &'static [u64] = draw.pick(&[&[2], &[3], &[2, 2, 3], &[2, 3], &[3, 3, 2, 2, 4]]);
    let (step, hop) = (draw.scale(1.0, 14.0), draw.real(0.0, 0.12));
    let (w, h) = (size.width as f32, size.height as f32);
    let (body, ground) = (h * draw.real(0.06, 0.18), draw.real(90.0, 220.0));
    Box::new(move |k, x, y| {
        let round: u64 = holds.iter().sum();
        let onsets = holds.iter().scan(0, |onset, hold| {
            *onset += hold;
            Some(*onset)
        });
        let within = onsets.filter(|onset| *onset <= k % round).count();
        let drawing = (k / round * holds.len() as u64 + within as u64) as f32;
        let (cx, cy) = ((drawing * step) % w, h * (0.6 + hop * (drawing * 0.9).sin()));
        if (x - cx - body * 0.3).hypot(y - cy + body * 0.3) < body * 0.2 {
            return [30.0, 128.0, 128.0];
        }
        if (x - cx).hypot(y - cy) < body {
            return [170.0, 90.0, 160.0];
        }
        if y > h * 0.8 {
            [70.0, 110.0, 110.0]
        } else {
            [ground, 140.0, 120.0]
        }
    })
}

/// A still view of which a few blocks move a little.
fn still_view(draw: &mut Draw, size: Size) -> Paint {
    let (view, moving) = (Surface::drawn(draw), Surface::drawn(draw));
    let side = draw.real(14.0, 60.0);
    let (cx, cy) = (size.width as f32 * draw.real(0.2, 0.8), size.height as f32 * draw.real(0.2, 0.8));
    let (reach, quick) = (draw.scale(1.0, 12.0), draw.scale(0.06, 0.7));
    Box::new(move |k, x, y| {
        // Two rhythms that never rest together: every picture differs from the one before.
        let t = quick * k as f32;
        let (dx, dy) = (x - cx - reach * t.sin(), y - cy - 0.6 * reach * (1.618 * t + 1.0).sin());
        if (dx / side).hypot(dy / side * 0.7) > 0.5 {
            return view.at(x, y);
        }
        moving.at(300.0 + dx, 300.0 + dy)
    })
}

/// Stands: all along, or from some picture on to another.
fn standing(draw: &mut Draw, _: Size) -> Paint {
    let (surface, (vx, vy)) = (Surface::drawn(draw), velocity(draw, 0.5, 6.0));
    let (from, length) =
        if draw.chance(0.4) { (0, u64::MAX) } else { (draw.whole(0, 40), draw.whole(20, 60)) };
    Box::new(move |k, x, y| {
        let moved = k.min(from) + k.saturating_sub(from.saturating_add(length));
        surface.at(x + vx * moved as f32, y + vy * moved as f32)
    })
}

/// A camera held by hand.
fn shake(draw: &mut Draw, _: Size) -> Paint {
    let surface = Surface::drawn(draw);
    let (reach, quick) = (draw.scale(1.0, 10.0), draw.scale(0.05, 0.4));
    let pan = velocity(draw, 0.3, 3.0);
    let (vx, vy) = draw.pick(&[(0.0, 0.0), pan]);
    Box::new(move |k, x, y| {
        let t = quick * k as f32;
        let dx = reach * (t.sin() + 0.5 * (2.7 * t + 1.0).sin());
        let dy = reach * ((1.3 * t + 2.0).sin() + 0.4 * (3.1 * t).sin());
        surface.at(x + vx * k as f32 + dx, y + vy * k as f32 + dy)
    })
}

fn cuts(draw: &mut Draw, _: Size) -> Paint {
    let (one, other) = (Surface::drawn(draw), Surface::drawn(draw));
    let (shot, (vx, vy)) = (draw.whole(8, 50), velocity(draw, 0.3, 6.0));
    Box::new(move |k, x, y| {
        let (number, way) = (k / shot, (k % shot) as f32);
        let surface = if number % 2 == 0 { &one } else { &other };
        let place = number as f32 * 37.0;
        // Every second shot moves the other way, half as fast.
        let speed = if number % 2 == 0 { 1.0 } else { -0.5 };
        surface.at(x + place + speed * vx * way, y + place + speed * vy * way)
    })
}

/// Things at several distances pass a moving camera.
fn parallax(draw: &mut Draw, _: Size) -> Paint {
    let (ground, things, mask) =
        (Surface::drawn(draw), Surface::drawn(draw), Texture::new(draw.whole(1, 1 << 30)));
    let speed = draw.scale(0.5, 6.0);
    let (slow, cover) = (draw.real(0.2, 0.6), draw.real(110.0, 160.0));
    Box::new(move |k, x, y| {
        let (far, near) = (slow * speed * k as f32, speed * k as f32);
        if mask.at((x + near) * 0.6, y * 0.6) > cover {
            things.at(x + near, y)
        } else {
            ground.at(x + far, y)
        }
    })
}

/// A card with a hand that turns and numbers that count.
fn card(draw: &mut Draw, size: Size) -> Paint {
    let (salt, level) = (draw.seed(), draw.real(120.0, 230.0));
    let (w, h) = (size.width as f32, size.height as f32);
    let (radius, turn) = (h * draw.real(0.15, 0.35), draw.scale(0.01, 0.3));
    let thick = draw.real(1.5, 5.0);
    let digit = draw.pick(&[2.0, 3.0, 4.0]);
    Box::new(move |k, x, y| {
        let (dx, dy) = (x - w * 0.35, y - h * 0.5);
        let (sin, cos) = (turn * k as f32).sin_cos();
        let (along, aside) = (dx * cos + dy * sin, dy * cos - dx * sin);
        let hand = (0.0..radius).contains(&along) && aside.abs() < thick;
        let ring = (dx.hypot(dy) - radius * 1.1).abs() < 1.5;
        // Of three digits the last changes with every picture.
        let (column, row) = ((x - w * 0.65) / digit, (y - h * 0.4) / digit);
        let place = (column / 8.0).floor();
        let on_line = (0.0..12.0).contains(&row) && (0.0..3.0).contains(&place);
        let number = k as i64 / 10_i64.pow((2.0 - place).clamp(0.0, 2.0) as u32) % 10;
        let (x, y) = (column.rem_euclid(8.0) as i64, row as i64);
        let ink = on_line && x < 6 && speck(number * 3 + x / 2, y / 3, salt) < 0.6;
        if hand || ring || ink {
            [30.0, 120.0, 140.0]
        } else {
            grey(level)
        }
    })
}
