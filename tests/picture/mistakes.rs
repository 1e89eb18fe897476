//! What a device may do to a picture: 24 mistakes with the names of the findings they must lead to, and what is none.

use super::scene::{Picture, Plane};

/// Names of findings about the picture.
pub const NAMES: [&str; 12] = [
    "levels-clipped",
    "range-mistaken",
    "levels-changed",
    "gamma-changed",
    "matrix-mistaken",
    "chroma-swapped",
    "chroma-shifted",
    "picture-stretched",
    "picture-cropped",
    "picture-shrunk",
    "picture-shifted",
    "picture-mirrored",
];

/// Something done to every picture.
pub struct Change {
    pub name: &'static str,
    /// Findings that must be there, and no others about the picture.
    pub findings: &'static [&'static str],
    pub apply: fn(&Picture) -> Picture,
}

/// Luma of E′Y = 0.299 E′R + 0.587 E′G + 0.114 E′B (ITU-R BT.601-7, 2.5.1).
const BT_601: [f64; 3] = [0.299, 0.587, 0.114];
/// Luma of E′Y = 0.2126 E′R + 0.7152 E′G + 0.0722 E′B (ITU-R BT.709-6, 3.2).
const BT_709: [f64; 3] = [0.2126, 0.7152, 0.0722];

/// Red, green and blue (0 to 1) of code values at 8 bit: E′CB = (E′B − E′Y) / (2 − 2·k_B), 224 steps; E′Y 219 steps (both
/// standards, item 3.3 and 4.2 of BT.709-6).
fn colours([red, green, blue]: [f64; 3], [luma, b, r]: [f64; 3]) -> [f64; 3] {
    let luma = (luma - 16.0) / 219.0;
    let from = |difference: f64, own: f64| luma + (difference - 128.0) / 224.0 * (2.0 - 2.0 * own);
    let (r, b) = (from(r, red), from(b, blue));
    [r, (luma - red * r - blue * b) / green, b]
}

/// Code values of red, green and blue.
fn code([red, green, blue]: [f64; 3], [r, g, b]: [f64; 3]) -> [f64; 3] {
    let luma = red * r + green * g + blue * b;
    let difference = |colour: f64, own: f64| 128.0 + 224.0 * (colour - luma) / (2.0 - 2.0 * own);
    [16.0 + 219.0 * luma, difference(b, blue), difference(r, red)]
}

/// Colours made by other equations.
fn made_anew(picture: &Picture, from: [f64; 3], to: [f64; 3]) -> Picture {
    let [luma, blue, red] = &picture.planes;
    let of = |x: usize, y: usize| {
        let chroma = y / 2 * blue.width + x / 2;
        let value = [luma.samples[y * luma.width + x], blue.samples[chroma], red.samples[chroma]];
        code(to, colours(from, value))
    };
    picture.map(|at, plane| {
        let step = if at == 0 { 1 } else { 2 };
        Plane::new(plane.width, plane.height, |x, y| of(step * x, step * y)[at])
    })
}

/// The picture with its window in parts of the old one: scale and offset across and down; black outside.
fn window(picture: &Picture, scale: [f64; 2], offset: [f64; 2]) -> Picture {
    picture.map(|at, plane| {
        let outside = if at == 0 { 16.0 } else { 128.0 };
        let (width, height) = (plane.width as f64, plane.height as f64);
        Plane::new(plane.width, plane.height, |x, y| {
            let place = |at: usize, length: f64, axis: usize| {
                ((at as f64 + 0.5) / length * scale[axis] + offset[axis]) * length
            };
            let (u, v) = (place(x, width, 0), place(y, height, 1));
            let beyond = u < 0.0 || v < 0.0 || u > width || v > height;
            if beyond {
                outside
            } else {
                plane.at(u, v, None)
            }
        })
    })
}

/// Moved by pixels of luma, right and down.
fn shifted(picture: &Picture, by: [f64; 2], planes: [bool; 3]) -> Picture {
    picture.map(|at, plane| {
        if !planes[at] {
            return plane.clone();
        }
        let outside = Some(if at == 0 { 16.0 } else { 128.0 });
        let scale = if at == 0 { 1.0 } else { 0.5 };
        Plane::new(plane.width, plane.height, |x, y| {
            plane.at(x as f64 + 0.5 - by[0] * scale, y as f64 + 0.5 - by[1] * scale, outside)
        })
    })
}

fn mirrored(picture: &Picture, [across, down]: [bool; 2]) -> Picture {
    picture.map(|_, plane| {
        Plane::new(plane.width, plane.height, |x, y| {
            let x = if across { plane.width - 1 - x } else { x };
            let y = if down { plane.height - 1 - y } else { y };
            plane.samples[y * plane.width + x]
        })
    })
}

/// The levels after a power between black and white.
fn power(picture: &Picture, power: f64) -> Picture {
    let luma = |value: f64| {
        let share = (value - 16.0) / 219.0;
        if (0.0..=1.0).contains(&share) {
            16.0 + 219.0 * share.powf(power)
        } else {
            value
        }
    };
    picture.levels(luma, |value| value)
}

/// 16 to 235 (and 16 to 240) to 0 to 255, and back.
fn expanded(value: f64) -> f64 {
    ((value - 16.0) * 255.0 / 219.0).clamp(0.0, 255.0)
}
fn squeezed(value: f64) -> f64 {
    value * 219.0 / 255.0 + 16.0
}

pub const MISTAKES: [Change; 24] = [
    Change {
        name: "clipped-low",
        findings: &["levels-clipped"],
        apply: |p| p.levels(|v| v.max(16.0), |v| v),
    },
    Change {
        name: "clipped-high",
        findings: &["levels-clipped"],
        apply: |p| p.levels(|v| v.min(235.0), |v| v),
    },
    Change {
        name: "clipped",
        findings: &["levels-clipped"],
        apply: |p| p.levels(|v| v.clamp(16.0, 235.0), |v| v),
    },
    Change {
        name: "expanded",
        findings: &["range-mistaken"],
        apply: |p| p.levels(expanded, |v| (128.0 + (v - 128.0) * 255.0 / 224.0).clamp(0.0, 255.0)),
    },
    Change {
        name: "squeezed",
        findings: &["range-mistaken"],
        apply: |p| p.levels(squeezed, |v| 128.0 + (v - 128.0) * 224.0 / 255.0),
    },
    Change { name: "expanded-luma", findings: &["range-mistaken"], apply: |p| p.levels(expanded, |v| v) },
    Change { name: "darker", findings: &["gamma-changed"], apply: |p| power(p, 1.1) },
    Change { name: "brighter", findings: &["gamma-changed"], apply: |p| power(p, 0.9) },
    Change { name: "much-darker", findings: &["gamma-changed"], apply: |p| power(p, 1.25) },
    Change { name: "709-as-601", findings: &["matrix-mistaken"], apply: |p| made_anew(p, BT_709, BT_601) },
    Change { name: "601-as-709", findings: &["matrix-mistaken"], apply: |p| made_anew(p, BT_601, BT_709) },
    Change {
        name: "chroma-swapped",
        findings: &["chroma-swapped"],
        apply: |p| Picture { planes: [0, 2, 1].map(|at| p.planes[at].clone()) },
    },
    Change {
        name: "chroma-right",
        findings: &["chroma-shifted"],
        apply: |p| shifted(p, [4.0, 0.0], [false, true, true]),
    },
    Change {
        name: "chroma-down",
        findings: &["chroma-shifted"],
        apply: |p| shifted(p, [0.0, 4.0], [false, true, true]),
    },
    Change {
        name: "chroma-left",
        findings: &["chroma-shifted"],
        apply: |p| shifted(p, [-3.0, 0.0], [false, true, true]),
    },
    Change {
        name: "squeezed-to-4:3",
        findings: &["picture-stretched"],
        apply: |p| window(p, [4.0 / 3.0, 1.0], [-1.0 / 6.0, 0.0]),
    },
    Change {
        name: "squeezed-down",
        findings: &["picture-stretched"],
        apply: |p| window(p, [1.0, 4.0 / 3.0], [0.0, -1.0 / 6.0]),
    },
    Change {
        name: "overscan-5",
        findings: &["picture-cropped"],
        apply: |p| window(p, [0.9, 0.9], [0.05, 0.05]),
    },
    Change {
        name: "overscan-2.5",
        findings: &["picture-cropped"],
        apply: |p| window(p, [0.95, 0.95], [0.025, 0.025]),
    },
    Change {
        name: "sides-cut-off",
        findings: &["picture-stretched", "picture-cropped"],
        apply: |p| window(p, [0.84, 1.0], [0.08, 0.0]),
    },
    Change {
        name: "shifted-right",
        findings: &["picture-shifted"],
        apply: |p| shifted(p, [8.0, 0.0], [true; 3]),
    },
    Change {
        name: "shifted-down",
        findings: &["picture-shifted"],
        apply: |p| shifted(p, [0.0, 2.0], [true; 3]),
    },
    Change { name: "mirrored", findings: &["picture-mirrored"], apply: |p| mirrored(p, [true, false]) },
    Change { name: "upside-down", findings: &["picture-mirrored"], apply: |p| mirrored(p, [false, true]) },
];

/// What is no mistake: deliveries and recorders as they may be.
pub const CLEAN: [Change; 8] = [
    Change { name: "as-it-is", findings: &[], apply: Picture::clone },
    Change { name: "smaller", findings: &[], apply: |p| sized(p, 3.0 / 4.0) },
    Change { name: "larger", findings: &[], apply: |p| sized(p, 4.0 / 3.0) },
    Change { name: "half-a-pixel", findings: &[], apply: |p| shifted(p, [0.5, 0.5], [true; 3]) },
    Change { name: "a-level-off", findings: &[], apply: |p| p.levels(|v| v + 1.5, |v| v - 0.5) },
    Change { name: "more-colour", findings: &[], apply: |p| p.levels(|v| v, |v| 128.0 + (v - 128.0) * 1.15) },
    Change { name: "a-sign-over-it", findings: &[], apply: signed },
    Change { name: "soft", findings: &[], apply: soft },
];

fn sized(picture: &Picture, factor: f64) -> Picture {
    let luma = &picture.planes[0];
    let even = |length: usize| (length as f64 * factor / 2.0).round() as usize * 2;
    let (width, height) = (even(luma.width), even(luma.height));
    picture.map(|at, plane| {
        let (width, height) = if at == 0 { (width, height) } else { (width / 2, height / 2) };
        let step = [plane.width as f64 / width as f64, plane.height as f64 / height as f64];
        // Means of three by three places, so that a smaller picture is none of single samples.
        Plane::new(width, height, |x, y| {
            let at = |dx: usize, dy: usize| {
                let place = |at: usize, part: usize, axis: usize| {
                    (at as f64 + (part as f64 + 0.5) / 3.0) * step[axis]
                };
                plane.at(place(x, dx, 0), place(y, dy, 1), None)
            };
            (0..9).map(|part| at(part % 3, part / 3)).sum::<f64>() / 9.0
        })
    })
}

fn signed(picture: &Picture) -> Picture {
    picture.map(|at, plane| {
        let scale = if at == 0 { 1 } else { 2 };
        Plane::new(plane.width, plane.height, |x, y| {
            let inside = (30..150).contains(&(x * scale)) && (20..60).contains(&(y * scale));
            match (inside, at) {
                (false, _) => plane.samples[y * plane.width + x],
                (true, 0) => 200.0,
                (true, _) => 120.0,
            }
        })
    })
}

fn soft(picture: &Picture) -> Picture {
    picture.map(|_, plane| {
        Plane::new(plane.width, plane.height, |x, y| {
            let at = |dx: f64, dy: f64| plane.at(x as f64 + 0.5 + dx, y as f64 + 0.5 + dy, None);
            (2.0 * at(0.0, 0.0) + at(0.7, 0.0) + at(-0.7, 0.0) + at(0.0, 0.7) + at(0.0, -0.7)) / 6.0
        })
    })
}
