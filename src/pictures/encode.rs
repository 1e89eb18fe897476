//! Image files within a budget.

use std::collections::BTreeMap;

use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{imageops, ExtendedColorType, GrayImage, ImageEncoder, RgbImage};

use super::{Detail, EncodedImage, Picture, Raster, Stretch};
use crate::frame::Rect;
use crate::pipeline;

/// Longest sides of pictures in pixels, best first: the largest that fits the budget is taken.
const SIDES: &[u32] = &[480, 360, 240];
/// Longest side that is ever needed.
pub(super) const SIDE_MAX: u32 = SIDES[0];
/// Quality of JPEG, 1 to 100: blocks are not seen at this one, by eye.
const JPEG_QUALITY: u8 = 84;
/// Bytes of a report around each picture: its caption and markup.
const MARKUP_BYTES: u64 = 600;

/// Room for pictures in the report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Budget {
    /// Bytes, as they stand in the file.
    pub bytes: u64,
}

/// What is kept of a frame.
pub(super) struct KeptFrame {
    /// The small picture.
    pub picture: Raster,
    /// Its difference to the frame before.
    pub difference: Option<Raster>,
    /// A part at full size.
    pub detail: Option<(Rect, Raster)>,
    /// Whether the frame before, which is kept too, is the same to the last bit.
    pub is_same_as_before: bool,
}

/// Frames that are kept.
pub(super) type Kept = BTreeMap<u64, KeptFrame>;

/// Pictures of as many stretches, in their order, as fit; sizes are reduced before stretches are left out.
pub(super) fn within(
    kept: &Kept,
    stretches: &[Stretch],
    budget: Budget,
) -> (Vec<Stretch>, BTreeMap<u64, Picture>) {
    for (attempt, &side) in SIDES.iter().enumerate() {
        let is_last = attempt + 1 == SIDES.len();
        let mut left = budget.bytes;
        let mut pictures = BTreeMap::new();
        let mut taken = Vec::new();
        for stretch in stretches {
            let frames: Vec<_> = kept
                .range(stretch.frames.clone())
                .filter(|(frame, _)| !pictures.contains_key(*frame))
                .collect();
            let encoded: BTreeMap<u64, Picture> =
                pipeline::each(&frames, |&(&frame, kept)| Some((frame, encoded(kept, side)?)))
                    .into_iter()
                    .flatten()
                    .collect();
            let bytes = encoded.values().map(bytes_in_file).sum();
            let Some(rest) = left.checked_sub(bytes) else { break };
            left = rest;
            pictures.extend(encoded);
            taken.push(stretch.clone());
        }
        if is_last || taken.len() == stretches.len() {
            return (taken, pictures);
        }
    }
    (Vec::new(), BTreeMap::new())
}

/// Bytes of a picture in the report: base64 takes four for three.
fn bytes_in_file(picture: &Picture) -> u64 {
    let base64 = |image: &EncodedImage| (image.bytes.len() as u64).div_ceil(3) * 4;
    let detail = picture.detail.as_ref().map_or(0, |detail| base64(&detail.image));
    if picture.is_same_as_before {
        return MARKUP_BYTES;
    }
    base64(&picture.image) + picture.difference.as_ref().map_or(0, base64) + detail + MARKUP_BYTES
}

fn encoded(kept: &KeptFrame, side: u32) -> Option<Picture> {
    let picture = &kept.picture;
    let pixels = RgbImage::from_raw(picture.width, picture.height, picture.pixels.clone())?;
    let (width, height) = fitted(picture, side);
    let pixels = if (width, height) == pixels.dimensions() {
        pixels
    } else {
        imageops::resize(&pixels, width, height, imageops::FilterType::Triangle)
    };
    let difference = kept.difference.as_ref().and_then(|difference| encoded_difference(difference, side));
    let detail = kept.detail.as_ref().and_then(|(area, raster)| encoded_detail(*area, raster));
    let is_same_as_before = kept.is_same_as_before;
    let image = smaller_file(&pixels)?;
    Some(Picture { width_px: width, height_px: height, image, difference, detail, is_same_as_before })
}

/// Single rows must come out as they are, so there is no coding loss.
fn encoded_detail(area: Rect, raster: &Raster) -> Option<Detail> {
    let bytes = png(&raster.pixels, (raster.width, raster.height), ExtendedColorType::Rgb8)?;
    Some(Detail { area, image: EncodedImage { media_type: "image/png", bytes } })
}

fn fitted(raster: &Raster, side: u32) -> (u32, u32) {
    let longest = raster.width.max(raster.height).max(1);
    let fit = |length: u32| (length * side.min(longest) / longest).max(1);
    (fit(raster.width), fit(raster.height))
}

/// PNG for drawn pictures, which it holds exactly, JPEG for filmed ones: whichever file is smaller.
fn smaller_file(pixels: &RgbImage) -> Option<EncodedImage> {
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, JPEG_QUALITY).encode_image(pixels).ok()?;
    let png = png(pixels.as_raw(), pixels.dimensions(), ExtendedColorType::Rgb8)?;
    Some(if png.len() <= jpeg.len() {
        EncodedImage { media_type: "image/png", bytes: png }
    } else {
        EncodedImage { media_type: "image/jpeg", bytes: jpeg }
    })
}

/// Differences are halved by keeping the darkest of four pixels, so that nothing vanishes.
fn encoded_difference(difference: &Raster, side: u32) -> Option<EncodedImage> {
    let (width, height) = fitted(difference, side / 2);
    let mut pixels = GrayImage::from_pixel(width, height, image::Luma([u8::MAX]));
    for (place, &value) in difference.pixels.iter().enumerate() {
        let (x, y) = (place as u32 % difference.width, place as u32 / difference.width);
        let pixel = pixels.get_pixel_mut(x * width / difference.width, y * height / difference.height);
        pixel.0[0] = pixel.0[0].min(value);
    }
    // Sixteen shades: noise then takes half the room.
    for pixel in pixels.pixels_mut() {
        pixel.0[0] = pixel.0[0] / 17 * 17;
    }
    let bytes = png(pixels.as_raw(), (width, height), ExtendedColorType::L8)?;
    Some(EncodedImage { media_type: "image/png", bytes })
}

fn png(pixels: &[u8], (width, height): (u32, u32), color: ExtendedColorType) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    PngEncoder::new_with_quality(&mut bytes, CompressionType::Default, FilterType::Adaptive)
        .write_image(pixels, width, height, color)
        .ok()?;
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pictures::Reason;

    /// Frames that differ everywhere: the worst case for a file's size.
    fn noise(frames: u64) -> Kept {
        let mut state = 1u32;
        let mut raster = |channels: usize| {
            let pixels = (0..320 * 180 * channels)
                .map(|_| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    (state >> 24) as u8
                })
                .collect();
            Raster { width: 320, height: 180, pixels }
        };
        let mut frame = || KeptFrame {
            picture: raster(3),
            difference: Some(raster(1)),
            detail: None,
            is_same_as_before: false,
        };
        (0..frames).map(|number| (number, frame())).collect()
    }

    fn stretches() -> Vec<Stretch> {
        vec![
            Stretch { reason: Reason::Typical, frames: 0..4 },
            Stretch { reason: Reason::Event(1), frames: 2..6 },
            Stretch { reason: Reason::Event(2), frames: 6..8 },
        ]
    }

    #[test]
    fn what_is_kept_fits_the_budget_and_the_first_come_first() {
        let kept = noise(8);
        let mut counts = Vec::new();
        for bytes in [0, 300_000, 500_000, 100_000_000] {
            let (taken, pictures) = within(&kept, &stretches(), Budget { bytes });
            assert!(pictures.values().map(bytes_in_file).sum::<u64>() <= bytes);
            assert_eq!(taken[..], stretches()[..taken.len()]);
            assert!(taken
                .iter()
                .all(|stretch| stretch.frames.clone().all(|frame| pictures.contains_key(&frame))));
            counts.push(taken.len());
        }
        assert_eq!((counts[0], counts[3]), (0, 3));
        assert!(counts.is_sorted() && counts[1] < counts[3], "{counts:?}");
    }

    #[test]
    fn a_single_dark_pixel_survives_halving() {
        let mut pixels = vec![255; 480 * 270];
        pixels[480 * 101 + 77] = 207;
        let difference = Raster { width: 480, height: 270, pixels };
        let file = encoded_difference(&difference, 480).unwrap();
        let read = image::load_from_memory(&file.bytes).unwrap().into_luma8();
        assert_eq!(read.dimensions(), (240, 135));
        assert_eq!(read.pixels().filter(|pixel| pixel.0[0] < 255).count(), 1);
    }
}
