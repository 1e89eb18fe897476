//! Which containers the decoder may open: those that hold their video themselves. Playlists, manifests, image patterns,
//! scripts and devices name other files, addresses or machines, so that a recording from a stranger could have anything read.

/// The decoder's names of containers and raw streams that hold their own samples. Common practice, no source.
const SELF_CONTAINED: &[&str] = &[
    "3dostr",
    "4xm",
    "apng",
    "asf",
    "asf_o",
    "av1",
    "avi",
    "avr",
    "avs",
    "avs2",
    "avs3",
    "bink",
    "cavsvideo",
    "cdxl",
    "cine",
    "dhav",
    "dirac",
    "dnxhd",
    "dv",
    "dxa",
    "evc",
    "film_cpk",
    "flic",
    "flv",
    "frm",
    "gif",
    "gxf",
    "h261",
    "h263",
    "h264",
    "hevc",
    "ingenient",
    "ipmovie",
    "ipu",
    "ivf",
    "kux",
    "live_flv",
    "lmlm4",
    "lxf",
    "m4v",
    "matroska",
    "mgsts",
    "mjpeg",
    "mjpeg_2000",
    "mods",
    "moflex",
    "mov",
    "mp4",
    "mpeg",
    "mpegts",
    "mpegtsraw",
    "mpegvideo",
    "mpjpeg",
    "mtv",
    "mv",
    "mvi",
    "mxf",
    "mxg",
    "nsv",
    "nut",
    "nuv",
    "obu",
    "ogg",
    "pva",
    "pmp",
    "r3d",
    "rl2",
    "rm",
    "roq",
    "sga",
    "smjpeg",
    "smk",
    "swf",
    "thp",
    "ty",
    "vc1",
    "vc1test",
    "vivo",
    "vvc",
    "wc3movie",
    "webm",
    "wtv",
    "wv",
    "xmv",
    "yop",
    "yuv4mpegpipe",
];

/// Containers of sound alone: opened to say that they have no pictures.
const SOUND: &[&str] = &["aac", "ac3", "aiff", "au", "caf", "flac", "mp3", "w64", "wav"];

/// Options that keep the decoder to these containers, and to the file or pipe that it is given.
pub(super) fn input_options(protocol: &str) -> [String; 4] {
    [
        "-protocol_whitelist".to_owned(),
        protocol.to_owned(),
        "-format_whitelist".to_owned(),
        [SELF_CONTAINED, SOUND].concat().join(","),
    ]
}

/// Phrase by which the decoder says that a container is none of them.
pub(super) const REFUSED_PHRASE: &str = "not on whitelist";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_opens_other_files_is_not_allowed() {
        for name in [
            "hls",
            "dash",
            "concat",
            "image2",
            "imf",
            "sdp",
            "rtsp",
            "lavfi",
            "tedcaptions",
            "webm_dash_manifest",
            "vobsub",
        ] {
            assert!(!SELF_CONTAINED.contains(&name), "{name}");
        }
        let mut sorted = SELF_CONTAINED.to_vec();
        sorted.dedup();
        assert_eq!(sorted, SELF_CONTAINED, "each name once");
    }
}
