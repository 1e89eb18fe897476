//! The external decoder, run for real. Skipped, loudly, where it is not installed.

mod capture_common;

use std::path::Path;

use capture_common::{decoder_is_here, ffmpeg, independent_ticks, read};
use evenbeat::capture::{open, CaptureArg, Leap};
use evenbeat::frame::{Coding, Scan};
use evenbeat::note::NoteCode;
use evenbeat::settings::ReadingSettings;
use evenbeat::units::{Rate, TimeBase};

fn settings() -> ReadingSettings {
    ReadingSettings::default()
}

fn error_of(path: &Path, settings: &ReadingSettings) -> String {
    let error = open(&CaptureArg::Path(path.into()), settings).err().expect("an error");
    format!("{error}\n{}", error.hint).replace(&format!("{}: ", path.display()), "")
}

#[test]
fn uneven_timestamps_arrive_unchanged() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    // Steps of 19 to 80 ms, in containers with different time bases.
    let uneven = "format=yuv420p,settb=1/1000,setpts='N*40+mod(N*N\\,7)*3+mod(N\\,3)*7'";
    for (file, codec, time_base) in [
        ("a.mkv", "ffv1", TimeBase::new(1, 1000)),
        ("a.mov", "mpeg4", TimeBase::new(1, 16_000)),
        ("a.nut", "ffv1", None),
        ("a.ts", "mpeg2video", TimeBase::new(1, 90_000)),
    ] {
        let path = folder.path().join(file);
        ffmpeg(&format!(
            "-f lavfi -i testsrc=s=64x48:d=1.2 -vf {uneven} -fps_mode passthrough -enc_time_base 1:1000 -bf 0 -c:v {codec} -strict -2 {}",
            path.display()
        ));
        let outcome = read(&path, &settings());
        let (expected, expected_base) = independent_ticks(&path);
        let ticks: Vec<i64> = outcome.ticks.iter().map(|ticks| ticks.unwrap()).collect();
        assert_eq!(ticks, expected, "{file}");
        assert_eq!(outcome.facts.time_base, Some(expected_base), "{file}");
        if time_base.is_some() {
            assert_eq!(outcome.facts.time_base, time_base, "{file}");
        }
        assert!(ticks.len() >= 25, "{file}: {}", ticks.len());
        // A transport stream does not say where it ends.
        let expected: &[NoteCode] = if file.ends_with(".ts") { &[NoteCode::EndUnknown] } else { &[] };
        let codes: Vec<NoteCode> = outcome.notes.iter().map(|note| note.code).collect();
        assert_eq!(codes, expected, "{file}: {:?}", outcome.notes);
        let steps: std::collections::BTreeSet<i64> = ticks.windows(2).map(|pair| pair[1] - pair[0]).collect();
        assert!(steps.len() > 3, "the steps of {file} are meant to be uneven: {steps:?}");
    }
}

#[test]
fn samples_arrive_unchanged() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (coded, plain) = (folder.path().join("a.mkv"), folder.path().join("a.y4m"));
    for format in ["yuv420p", "yuv422p10le", "yuv444p16le", "gray", "yuv411p"] {
        let source = format!("-f lavfi -i testsrc2=s=63x47:d=0.4,format={format}");
        ffmpeg(&format!("{source} -c:v ffv1 -strict -2 {}", coded.display()));
        ffmpeg(&format!("{source} -strict -1 {}", plain.display()));
        let (coded, plain) = (read(&coded, &settings()), read(&plain, &settings()));
        assert_eq!(coded.samples, plain.samples, "{format}");
        assert_eq!(coded.facts.shape, plain.facts.shape, "{format}");
        assert_eq!(coded.samples.len(), 10, "{format}");
    }
}

/// Writes the matrix of a track header (ISO/IEC 14496-12, 8.3.2), whole numbers of 16.16 fixed point, into a file.
fn turn(path: &Path, [a, b, c, d]: [i32; 4]) {
    let mut bytes = std::fs::read(path).unwrap();
    let header = bytes.windows(4).position(|name| name == b"tkhd").expect("a track header");
    for (place, value) in [(0, a), (1, b), (3, c), (4, d)] {
        let at = header + 44 + 4 * place;
        bytes[at..at + 4].copy_from_slice(&(value << 16).to_be_bytes());
    }
    std::fs::write(path, bytes).unwrap();
}

/// By the tags of the file, as a general filter turns pictures by hand.
#[test]
fn pictures_are_turned_as_the_container_says() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (tagged, turned) = (folder.path().join("a.mp4"), folder.path().join("b.mkv"));
    let source = "-f lavfi -i testsrc2=s=64x48:d=0.2,format=yuv420p";
    for (matrix, filter) in [
        ([-1, 0, 0, -1], "hflip,vflip"),
        ([0, 1, -1, 0], "transpose=clock"),
        ([0, -1, 1, 0], "transpose=cclock"),
    ] {
        ffmpeg(&format!("{source} -c:v libx264 -qp 0 {}", tagged.display()));
        turn(&tagged, matrix);
        ffmpeg(&format!("{source} -vf {filter} -c:v ffv1 {}", turned.display()));
        let (tagged, turned) = (read(&tagged, &settings()), read(&turned, &settings()));
        assert_eq!(tagged.samples, turned.samples, "{filter}");
        assert!(tagged.notes.iter().any(|note| note.code == NoteCode::PictureTurned), "{:?}", tagged.notes);
        assert!(turned.notes.iter().all(|note| note.code != NoteCode::PictureTurned));
    }
}

#[test]
fn the_stream_says_how_its_samples_were_coded() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.mkv");
    for (encoder, format, coding) in [
        ("libx264 -crf 23", "yuv420p", Coding::Lossy),
        ("libx264 -qp 1", "yuv420p", Coding::Lossy),
        ("libx264 -crf 23", "yuv444p", Coding::Lossy),
        ("libx264rgb -crf 23", "rgb24", Coding::Lossy),
        ("libx264 -qp 0", "yuv420p", Coding::Lossless),
        ("libx264 -qp 0", "yuv422p", Coding::Lossless),
        ("libx264 -qp 0", "gray", Coding::Lossless),
        // Lossless, which the profile does not tell where samples are 4:4:4.
        ("libx264 -qp 0", "yuv444p", Coding::Lossy),
        ("ffv1", "yuv420p", Coding::Lossless),
        ("rawvideo", "yuv420p", Coding::Lossless),
        ("mjpeg", "yuvj420p", Coding::Lossy),
        ("mpeg2video", "yuv420p", Coding::Lossy),
    ] {
        ffmpeg(&format!(
            "-f lavfi -i testsrc2=s=64x48:d=0.2,format={format} -c:v {encoder} {}",
            path.display()
        ));
        assert_eq!(read(&path, &settings()).facts.coding, coding, "{encoder} {format}");
    }
}

#[test]
fn a_leap_lands_on_the_frame_asked_for() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for (file, coding) in [
        ("b-pictures.mkv", "-c:v libx264 -g 48 -bf 3"),
        ("index.mp4", "-c:v libx264 -g 250"),
        ("transport.ts", "-c:v mpeg2video -g 15 -bf 2"),
        ("late-start.mkv", "-c:v ffv1 -output_ts_offset 7"),
    ] {
        let path = folder.path().join(file);
        let source = "-f lavfi -i testsrc2=s=64x48:r=30000/1001:d=30 -pix_fmt yuv420p";
        ffmpeg(&format!("{source} {coding} {}", path.display()));
        let whole = read(&path, &settings());
        for target in [640, 850] {
            let mut source = open(&CaptureArg::Path(path.clone()), &settings()).unwrap();
            let leap = Leap { frames: target as u64, ticks: whole.ticks[target] };
            assert!(source.leap(leap).unwrap(), "{file}");
            let mut samples = Vec::new();
            for frame in target..target + 3 {
                let timing = source.read_frame(&mut samples).unwrap().expect("a frame");
                assert_eq!(timing.ticks, whole.ticks[frame], "{file} frame {frame}");
                assert_eq!(blake3::hash(&samples), whole.samples[frame], "{file} frame {frame}");
            }
        }
        let mut source = open(&CaptureArg::Path(path.clone()), &settings()).unwrap();
        let nowhere = whole.ticks[700].map(|ticks| ticks + 1);
        let error = source.leap(Leap { frames: 700, ticks: nowhere }).expect_err("no frame has this time");
        assert_eq!(error.what, "cannot find a frame again");
    }
}

#[test]
fn pixel_formats_are_native_or_converted_with_a_note() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for (format, codec, expected, is_converted) in [
        ("yuv420p", "ffv1", "yuv420p", false),
        ("yuvj420p", "mjpeg", "yuv420p", false),
        ("yuv440p", "ffv1", "yuv440p", false),
        ("yuv410p", "ffv1", "yuv410p", false),
        ("yuv420p9le", "ffv1", "yuv420p9", false),
        ("yuv422p12le", "ffv1", "yuv422p12", false),
        ("gray10le", "ffv1", "gray10", false),
        ("gray16le", "ffv1", "gray16", false),
        ("gbrp", "utvideo", "gbrp", false),
        ("gbrp12le", "ffv1", "gbrp12", false),
        ("yuva420p", "ffv1", "yuv420p", true),
        ("bgr0", "ffv1", "gbrp", true),
        ("rgb24", "png", "gbrp", true),
        ("pal8", "png", "gbrp", true),
        ("rgb48be", "png", "gbrp16", true),
        ("uyvy422", "rawvideo", "yuv422p", true),
        ("nv12", "rawvideo", "yuv420p", true),
        ("ya8", "png", "gray", true),
        ("monob", "png", "gray", true),
    ] {
        let path = folder.path().join(format!("{format}.mkv"));
        ffmpeg(&format!(
            "-f lavfi -i testsrc=s=32x16:d=0.12 -pix_fmt {format} -c:v {codec} -strict -2 -allow_raw_vfw 1 {}",
            path.display()
        ));
        let outcome = read(&path, &settings());
        assert_eq!(outcome.facts.shape.pixel_format.to_string(), expected, "{format}");
        let codes: Vec<NoteCode> = outcome.notes.iter().map(|note| note.code).collect();
        assert_eq!(codes, vec![NoteCode::PixelsConverted; usize::from(is_converted)], "{format}");
        assert_eq!(outcome.samples.len(), 3, "{format}");
    }
}

#[test]
fn headers_say_rate_and_scan() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for (options, file, rate, scan) in [
        ("-r 60000/1001 -c:v ffv1", "a.mkv", Rate::new(60_000, 1001), Scan::Progressive),
        ("-r 24000/1001 -c:v mpeg4", "a.mov", Rate::new(24_000, 1001), Scan::Unknown),
        (
            "-r 25 -vf setfield=tff -c:v mpeg2video -flags +ildct+ilme -top 1",
            "a.mpg",
            Rate::new(25, 1),
            Scan::TopFieldFirst,
        ),
        ("-r 100/7 -c:v ffv1", "a.avi", Rate::new(100, 7), Scan::Unknown),
    ] {
        let path = folder.path().join(file);
        ffmpeg(&format!("-f lavfi -i testsrc=s=64x48:d=2 {options} {}", path.display()));
        let outcome = read(&path, &settings());
        assert_eq!((outcome.facts.nominal_rate, outcome.facts.scan), (rate, scan), "{file}");
        assert!(outcome.facts.reader.starts_with("ffmpeg version "));
        let given = ReadingSettings { rate: Rate::new(12, 1), ..settings() };
        assert_eq!(read(&path, &given).facts.nominal_rate, Rate::new(12, 1));
    }
}

#[test]
fn raw_streams_are_told_to_have_no_times() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.m2v");
    ffmpeg(&format!("-f lavfi -i testsrc=s=64x48:d=0.4 -c:v mpeg2video {}", path.display()));
    let outcome = read(&path, &settings());
    assert_eq!(outcome.samples.len(), 10);
    assert!(outcome.ticks.iter().all(Option::is_some));
    let codes: Vec<NoteCode> = outcome.notes.iter().map(|note| note.code).collect();
    assert_eq!(codes, [NoteCode::TimesAssumed, NoteCode::EndUnknown]);
    let given = read(&path, &ReadingSettings { rate: Rate::new(50, 1), ..settings() });
    assert_eq!((given.facts.time_base, given.facts.nominal_rate), (None, Rate::new(50, 1)));
    assert!(given.ticks.iter().all(Option::is_none));
}

#[test]
fn the_chosen_stream_is_read() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("two.mkv");
    ffmpeg(&format!(
        "-f lavfi -i sine=d=0.4 -f lavfi -i testsrc=s=64x48:d=0.4 -f lavfi -i testsrc=s=32x16:d=0.4 \
         -map 0 -map 1 -map 2 -c:v ffv1 {}",
        path.display()
    ));
    for (stream, width) in [(None, 64), (Some(0), 64), (Some(1), 32)] {
        assert_eq!(read(&path, &ReadingSettings { stream, ..settings() }).facts.shape.width, width);
    }
    assert_eq!(
        error_of(&path, &ReadingSettings { stream: Some(2), ..settings() }),
        "no video stream: the capture has no video stream 2\n\
         video streams count from 0; choose one with --stream"
    );
}

#[test]
fn what_is_no_video_is_named() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let sound = folder.path().join("sound.wav");
    ffmpeg(&format!("-f lavfi -i sine=d=0.2 {}", sound.display()));
    assert_eq!(
        error_of(&sound, &settings()),
        "no video stream: the capture has no video stream 0\n\
         video streams count from 0; choose one with --stream"
    );
    let text = folder.path().join("text");
    std::fs::write(&text, "this is a letter and no video\n").unwrap();
    assert_eq!(
        error_of(&text, &settings()),
        "the decoder cannot read the capture: invalid data found when processing input\n\
         check that the file is a whole video recording"
    );
}

#[test]
fn a_change_of_size_midway_is_an_error_and_not_scaled_away() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("two-sizes.ts");
    let mut joined = Vec::new();
    for size in ["64x48", "96x64"] {
        let part = folder.path().join(format!("{size}.ts"));
        ffmpeg(&format!("-f lavfi -i testsrc=s={size}:d=0.4 -c:v mpeg2video {}", part.display()));
        joined.extend(std::fs::read(&part).unwrap());
    }
    std::fs::write(&path, joined).unwrap();
    let outcome = read(&path, &settings());
    let error = outcome.error.unwrap();
    assert_eq!(error.what, "picture size or format changes midway");
    let frames = outcome.samples.len();
    assert_eq!(error.cause, format!("frame {frames} has 9216 bytes, the frames before have 4608"));
    assert!((9..=10).contains(&frames), "the seam may cost the last frame of the first size: {frames}");
}

#[test]
fn a_file_cut_short_comes_out_incomplete() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for (file, codec, extra) in [
        ("a.mp4", "mpeg4", "-movflags +faststart"),
        ("a.mkv", "ffv1", ""),
        ("a.avi", "ffv1", ""),
        ("a.avi", "rawvideo", ""),
        ("a.nut", "ffv1", ""),
    ] {
        let path = folder.path().join(file);
        ffmpeg(&format!("-f lavfi -i testsrc2=s=128x96:d=4 -c:v {codec} {extra} {}", path.display()));
        let whole = read(&path, &settings());
        assert_eq!(whole.samples.len(), 100, "{file}");
        assert!(whole.notes.iter().all(|note| !note.code.makes_incomplete()), "{file}: {:?}", whole.notes);
        let bytes = std::fs::read(&path).unwrap();
        std::fs::write(&path, &bytes[..bytes.len() * 6 / 10]).unwrap();
        let cut = read(&path, &settings());
        assert!((30..75).contains(&cut.samples.len()), "{file} {}", cut.samples.len());
        assert!(cut.notes.iter().any(|note| note.code.makes_incomplete()), "{file}/{codec}: {:?}", cut.notes);
    }
}

#[test]
fn timestamps_that_repeat_or_run_backwards_arrive_unchanged() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("equal.mkv");
    ffmpeg(&format!(
        "-f lavfi -i testsrc=s=64x48:d=0.4 -vf settb=1/1000,setpts='floor(N/2)*80' -fps_mode passthrough \
         -enc_time_base 1:1000000 -c:v ffv1 {}",
        path.display()
    ));
    let (expected, _) = independent_ticks(&path);
    assert_eq!(expected, [0, 0, 80, 80, 160, 160, 240, 240, 320, 320], "the clip is meant to repeat times");
    let outcome = read(&path, &settings());
    assert_eq!(outcome.ticks, expected.iter().copied().map(Some).collect::<Vec<_>>());

    // Joined without care: the second part starts over.
    let part = folder.path().join("part.ts");
    ffmpeg(&format!("-f lavfi -i testsrc=s=64x48:d=0.4 -bf 0 -c:v mpeg2video {}", part.display()));
    let bytes = std::fs::read(&part).unwrap();
    let joined = folder.path().join("joined.ts");
    std::fs::write(&joined, [bytes.clone(), bytes].concat()).unwrap();
    let (expected, _) = independent_ticks(&joined);
    assert!(expected.windows(2).any(|pair| pair[1] < pair[0]), "the clip is meant to run backwards");
    let outcome = read(&joined, &settings());
    assert_eq!(outcome.ticks, expected.iter().copied().map(Some).collect::<Vec<_>>());
}

#[test]
fn a_pipe_is_read_like_a_file() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.mkv");
    ffmpeg(&format!("-f lavfi -i testsrc2=s=320x240:d=4 -c:v ffv1 {}", path.display()));
    let from_file = read(&path, &settings());
    #[cfg(unix)]
    {
        let pipe = folder.path().join("pipe");
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        let (source, target) = (path.clone(), pipe.clone());
        let feeder = std::thread::spawn(move || std::fs::copy(source, target));
        let from_pipe = read(&pipe, &settings());
        feeder.join().unwrap().unwrap();
        assert_eq!(from_pipe.samples, from_file.samples);
        assert_eq!(from_pipe.ticks, from_file.ticks);
        assert!(from_pipe.notes.is_empty(), "{:?}", from_pipe.notes);
    }
    assert_eq!(from_file.samples.len(), 100);
}

/// Files that name other files: what they name is not read, whatever they are called.
#[test]
fn what_names_other_files_is_not_followed() {
    if !decoder_is_here() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let target = folder.path().join("target.mp4");
    ffmpeg(&format!("-f lavfi -i testsrc=s=64x48:d=1 -pix_fmt yuv420p {}", target.display()));
    let target_text = target.display();
    for (name, text) in [
        ("list.mkv", "#EXTM3U\n#EXT-X-TARGETDURATION:10\n#EXTINF:1,\ntarget.mp4\n#EXT-X-ENDLIST\n".to_owned()),
        ("script.mkv", "ffconcat version 1.0\nfile target.mp4\n".to_owned()),
        ("session.mkv", "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=video 9999 RTP/AVP 96\na=rtpmap:96 H264/90000\n".to_owned()),
        ("manifest.mkv", format!("<?xml version=\"1.0\"?><MPD xmlns=\"urn:mpeg:dash:schema:mpd:2011\" type=\"static\"><Period><AdaptationSet mimeType=\"video/mp4\"><Representation id=\"1\" bandwidth=\"1\"><BaseURL>{target_text}</BaseURL></Representation></AdaptationSet></Period></MPD>")),
    ] {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        let error = error_of(&path, &settings());
        assert!(error.contains("name other files") || error.contains("cannot read the capture"), "{name}: {error}");
    }
    // A name with a number pattern is a name: it does not read its siblings.
    for number in 0..5 {
        std::fs::copy(&target, folder.path().join(format!("clip-{number}.jpg"))).unwrap();
    }
    let pattern = folder.path().join("clip-%d.jpg");
    std::fs::write(&pattern, b"no picture at all, but a name that means more to some").unwrap();
    let error = error_of(&pattern, &settings());
    assert!(error.contains("cannot read the capture") || error.contains("name other files"), "{error}");
}
