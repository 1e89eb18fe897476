//! How the samples of a stream were coded, by the decoder's name of its codec and profile.

use crate::frame::Coding;

/// Codecs that give back every sample, by the decoder's names. Common practice, no source: what these formats are for.
const LOSSLESS: &[&str] = &[
    "apng",
    "bmp",
    "cllc",
    "ffv1",
    "ffvhuff",
    "flashsv",
    "fraps",
    "huffyuv",
    "hymt",
    "lagarith",
    "magicyuv",
    "png",
    "qtrle",
    "r10k",
    "r210",
    "rawvideo",
    "sheervideo",
    "targa",
    "tiff",
    "tscc",
    "utvideo",
    "v210",
    "v308",
    "v408",
    "v410",
    "vble",
    "wrapped_avframe",
    "y41p",
    "ylc",
    "yuv4",
    "zlib",
    "zmbv",
];

/// Codecs that lose something, or may and do not say.
const LOSSY: &[&str] = &[
    "av1",
    "avs2",
    "avs3",
    "cavs",
    "cfhd",
    "cinepak",
    "dirac",
    "dnxhd",
    "dvvideo",
    "evc",
    "flv1",
    "gif",
    "h261",
    "h263",
    "h263p",
    "h264",
    "hap",
    "hevc",
    "indeo3",
    "indeo5",
    "jpeg2000",
    "jpegxl",
    "mjpeg",
    "mjpegb",
    "mpeg1video",
    "mpeg2video",
    "mpeg4",
    "msmpeg4v1",
    "msmpeg4v2",
    "msmpeg4v3",
    "notchlc",
    "prores",
    "rv10",
    "rv20",
    "rv30",
    "rv40",
    "speedhq",
    "svq1",
    "svq3",
    "theora",
    "vc1",
    "vp3",
    "vp5",
    "vp6",
    "vp6f",
    "vp7",
    "vp8",
    "vp9",
    "vvc",
    "webp",
    "wmv1",
    "wmv2",
    "wmv3",
];

/// What the decoder's names of pixel formats with less than full chroma have in them.
const SUBSAMPLED: &[&str] = &["420", "422", "gray"];

/// The coding of a stream that the decoder describes as `codec (Profile) (tag …)` with samples of `pixel_format`.
///
/// H.264 codes without loss in the profile High 4:4:4 Predictive alone (ITU-T H.264, annex A). Streams of that profile
/// whose samples are 4:2:0, 4:2:2 or grey have no other reason to use it (common practice, no source); those of 4:4:4 and
/// of colours by themselves have.
pub(super) fn coding_of(description: &str, pixel_format: &str) -> Coding {
    let codec = description.split([' ', ',']).next().unwrap_or_default();
    if codec == "h264" && description.contains("(High 4:4:4 Predictive)") {
        let is_subsampled = SUBSAMPLED.iter().any(|name| pixel_format.contains(name));
        return if is_subsampled { Coding::Lossless } else { Coding::Lossy };
    }
    if LOSSLESS.contains(&codec) {
        Coding::Lossless
    } else if LOSSY.contains(&codec) {
        Coding::Lossy
    } else {
        Coding::Unknown
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_codec_and_its_profile_say_how_samples_were_coded() {
        for (description, pixel_format, expected) in [
            ("h264 (High)", "yuv420p", Coding::Lossy),
            ("h264 (High 4:4:4 Predictive) (avc1 / 0x31637661)", "yuv420p", Coding::Lossless),
            ("h264 (High 4:4:4 Predictive)", "yuv444p", Coding::Lossy),
            ("h264 (High 4:4:4 Predictive)", "yuv422p10le", Coding::Lossless),
            ("h264 (High 4:4:4 Predictive)", "gray", Coding::Lossless),
            ("h264 (High 4:4:4 Predictive)", "gbrp", Coding::Lossy),
            ("h264 (High 4:4:4 Predictive)", "", Coding::Lossy),
            ("ffv1 (FFV1 / 0x31564646)", "yuv420p", Coding::Lossless),
            ("rawvideo (I420 / 0x30323449)", "yuv420p", Coding::Lossless),
            ("mpeg2video (Main)", "yuv420p", Coding::Lossy),
            ("mjpeg (Baseline)", "yuvj420p", Coding::Lossy),
            ("vp9 (Profile 0)", "yuv420p", Coding::Lossy),
            ("something new", "yuv420p", Coding::Unknown),
            ("", "", Coding::Unknown),
        ] {
            assert_eq!(coding_of(description, pixel_format), expected, "{description} {pixel_format}");
        }
    }

    #[test]
    fn no_codec_stands_in_both_lists() {
        assert!(LOSSLESS.iter().all(|codec| !LOSSY.contains(codec)));
    }
}
