//! What is found of fields, against what others say of them: the repeat flags of MPEG-2 and H.264 streams, real
//! interlaced streams, the published tables of telecined film, and values that follow from the definition of a comb.

#[path = "truth/fields/mod.rs"]
mod fields;

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;

use evenbeat::fingerprint::fields::{tile_sums_8, Chosen, TileSums};
use fields::audited::{audit, Audited};
use fields::content::Content;
use fields::devices;
use fields::picture::{self, Parity, Picture, Plane, Size};
use fields::recordings::Recording;
use fields::Cell;

/// Size of the painted pictures: whole macroblocks, also for pairs of fields.
const SIZE: Size = Size { width: 352, height: 256 };
/// Pictures of an encoded stream: 60 fields with 2:3.
const PICTURES: usize = 24;

/// Whether a program can be run; says so, loudly, where not.
fn ffmpeg_is_here() -> bool {
    let is_here = ["ffmpeg", "ffprobe"].iter().all(|program| {
        Command::new(program).arg("-version").output().is_ok_and(|output| output.status.success())
    });
    if !is_here {
        eprintln!("SKIPPED: ffmpeg and ffprobe are not installed");
    }
    is_here
}

/// A file in the folder of real clips; says so where it is absent.
fn clip(file: &str) -> Option<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/clips");
    let folders = std::env::var_os("EVENBEAT_CLIPS")
        .map_or_else(|| vec![beside], |folders| std::env::split_paths(&folders).collect());
    let found = folders.into_iter().map(|folder| folder.join(file)).find(|path| path.is_file());
    if found.is_none() {
        eprintln!("SKIPPED: {file} is in no folder of EVENBEAT_CLIPS");
    }
    found
}

/// Runs ffmpeg with blank-separated arguments, then the path of its output.
fn ffmpeg(input: &Path, arguments: &str, output: &Path) {
    let run = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-y", "-i"])
        .arg(input)
        .args(arguments.split_whitespace())
        .arg(output)
        .output()
        .expect("ffmpeg starts");
    assert!(run.status.success(), "{arguments}: {}", String::from_utf8_lossy(&run.stderr));
}

/// What a stream says of one picture, in the order of display.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Displayed {
    first: Parity,
    /// Field periods it is shown for.
    fields: usize,
}

/// The fields that the pictures are shown in: number of the picture and parity.
fn fields_of(pictures: &[Displayed]) -> Vec<(usize, Parity)> {
    let of = |(number, picture): (usize, &Displayed)| {
        let first = picture.first;
        (0..picture.fields).map(move |place| (number, first.after(place)))
    };
    pictures.iter().enumerate().flat_map(of).collect()
}

/// Display of a picture by ITU-T H.264 (Annex D, table D-1, and Annex E, table E-6): `pic_struct` decides.
fn by_pic_struct(pic_struct: u32) -> Displayed {
    let (first, fields) = match pic_struct {
        0 => (Parity::Top, 2),
        1 => (Parity::Top, 1),
        2 => (Parity::Bottom, 1),
        3 => (Parity::Top, 2),
        4 => (Parity::Bottom, 2),
        5 => (Parity::Top, 3),
        6 => (Parity::Bottom, 3),
        7 => (Parity::Top, 4),
        8 => (Parity::Top, 6),
        other => panic!("pic_struct {other} is reserved"),
    };
    Displayed { first, fields }
}

/// What an MPEG-2 picture's header says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Mpeg2Flags {
    progressive_sequence: bool,
    progressive_frame: bool,
    repeat_first_field: bool,
    top_field_first: bool,
}

/// Display of a picture by ITU-T H.262 | ISO/IEC 13818-2, 6.3.10 (read in two transcriptions that agree).
fn by_mpeg2_flags(flags: Mpeg2Flags) -> Displayed {
    let first = if flags.top_field_first { Parity::Top } else { Parity::Bottom };
    let fields = match (flags.progressive_sequence, flags.repeat_first_field, flags.top_field_first) {
        (true, false, _) => 2,
        (true, true, false) => 4,
        (true, true, true) => 6,
        (false, true, _) => 3,
        (false, false, _) => 2,
    };
    assert!(!flags.repeat_first_field || flags.progressive_frame, "only progressive frames may repeat");
    Displayed { first: if flags.progressive_sequence { Parity::Top } else { first }, fields }
}

/// Places of the headers of an MPEG-2 elementary stream: start code value and the bytes after it.
fn start_codes(stream: &[u8]) -> impl Iterator<Item = (u8, usize)> + '_ {
    stream.windows(4).enumerate().filter(|(_, w)| w[..3] == [0, 0, 1]).map(|(at, w)| (w[3], at + 4))
}

const PICTURE_START: u8 = 0x00;
const EXTENSION_START: u8 = 0xB5;
const GROUP_START: u8 = 0xB8;
const SEQUENCE_EXTENSION: u8 = 1;
const PICTURE_CODING_EXTENSION: u8 = 8;

/// Flags of the pictures of an elementary stream in the order of display (H.262, 6.2.2.3 and 6.2.3: bits counted
/// in the extensions; `temporal_reference` counts pictures of a group in the order of display).
fn mpeg2_flags(stream: &[u8]) -> Vec<Mpeg2Flags> {
    let mut progressive_sequence = false;
    let mut group = 0;
    let mut reference = 0;
    let mut pictures = Vec::new();
    for (code, at) in start_codes(stream) {
        let extension = (code == EXTENSION_START).then(|| stream[at] >> 4);
        match (code, extension) {
            (GROUP_START, _) => group += 1,
            (PICTURE_START, _) => reference = u16::from(stream[at]) << 2 | u16::from(stream[at + 1]) >> 6,
            (_, Some(SEQUENCE_EXTENSION)) => progressive_sequence = stream[at + 1] & 0x08 != 0,
            (_, Some(PICTURE_CODING_EXTENSION)) => {
                let flags = Mpeg2Flags {
                    progressive_sequence,
                    top_field_first: stream[at + 3] & 0x80 != 0,
                    repeat_first_field: stream[at + 3] & 0x02 != 0,
                    progressive_frame: stream[at + 4] & 0x80 != 0,
                };
                assert_eq!(stream[at + 2] & 0x03, 3, "a frame picture");
                pictures.push(((group, reference), flags));
            }
            _ => {}
        }
    }
    pictures.sort_by_key(|(place, _)| *place);
    pictures.into_iter().map(|(_, flags)| flags).collect()
}

/// What is wrong about the parities of a display: fields must take turns.
fn out_of_turn(pictures: &[Displayed]) -> Vec<usize> {
    let fields = fields_of(pictures);
    (1..fields.len()).filter(|&place| fields[place].1 == fields[place - 1].1).collect()
}

/// Checks an audit of the interlaced signal against the display that the flags ask for.
fn agree(audited: &Audited, pictures: &[Displayed], what: &str) {
    let fields = fields_of(pictures);
    assert_eq!(audited.fields.len(), fields.len() / 2 * 2, "{what}: fields");
    assert_eq!(audited.scan, if fields[0].1 == Parity::Top { "tff" } else { "bff" }, "{what}");
    for (place, (row, (picture, parity))) in audited.fields.iter().zip(&fields).enumerate() {
        assert_eq!(row.parity, parity.name(), "{what}: field {place}");
        let repeats_by_flags = place > 1 && fields[place - 2].0 == *picture;
        let repeats_by_digest = place > 1 && audited.fields[place - 2].digest == row.digest;
        assert_eq!(
            repeats_by_digest, repeats_by_flags,
            "{what}: field {place} repeats the one before but one"
        );
    }
}

/// Checks which fields are called new: those whose moment is not that of the field before.
fn classes_agree(audited: &Audited, moments: &[usize], what: &str) {
    for (place, row) in audited.fields.iter().enumerate() {
        let is_new = place == 0 || moments[place - 1] != moments[place];
        assert_eq!(row.class == "new", is_new, "{what}: class of field {place}");
    }
}

/// Number of the picture that each field shows.
fn pictures_of(display: &[Displayed]) -> Vec<usize> {
    fields_of(display).into_iter().map(|(picture, _)| picture).collect()
}

/// Painted pictures in motion as raw 4:2:0.
fn raw_pictures(scratch: &Path) -> PathBuf {
    let content = Content::painted("pan", SIZE);
    let path = scratch.join("pictures.y4m");
    let mut bytes = format!("YUV4MPEG2 W{} H{} F24000:1001 Ip C420\n", SIZE.width, SIZE.height).into_bytes();
    for moment in 0..PICTURES {
        bytes.extend_from_slice(b"FRAME\n");
        content.picture(moment).write_to(&mut bytes).expect("memory takes all");
    }
    fs::write(&path, bytes).expect("the scratch folder takes pictures");
    path
}

/// The interlaced signal of a stream whose repeat flags a general-purpose library carries out.
fn carried_out(stream: &Path) -> PathBuf {
    let signal = stream.with_extension("signal.mkv");
    ffmpeg(stream, &format!("-map 0:v:0 {CARRY_OUT} -c:v ffv1"), &signal);
    signal
}

/// Repeats fields as flagged; the frames that come of it are top field first, 29.97 per second.
const CARRY_OUT: &str =
    "-vf repeatfields,setfield=tff,setpts=N*1001/30000/TB -r 30000/1001 -fps_mode passthrough";

/// Film in fields by flags, four pictures in ten fields: TBT BT BTB TB. Follows from the parity rule of H.264
/// (D.2.2); the same display in H.262's flags and in the frame tags of YUV4MPEG2's `Im`.
const FILM_PIC_STRUCTS: [u32; 4] = [5, 4, 6, 3];

fn film_display() -> Vec<Displayed> {
    (0..PICTURES).map(|number| by_pic_struct(FILM_PIC_STRUCTS[number % 4])).collect()
}

#[test]
fn three_ways_to_write_film_in_fields_are_one() {
    // YUV4MPEG2 (yuv4mpeg(5)): t and b two fields, T and B three.
    let tags =
        [('T', Parity::Top, 3), ('b', Parity::Bottom, 2), ('B', Parity::Bottom, 3), ('t', Parity::Top, 2)];
    let mpeg2 = [(true, true), (false, false), (false, true), (true, false)];
    for ((pic_struct, (tag, first, fields)), (top_field_first, repeat_first_field)) in
        FILM_PIC_STRUCTS.into_iter().zip(tags).zip(mpeg2)
    {
        let flags = Mpeg2Flags {
            progressive_sequence: false,
            progressive_frame: true,
            repeat_first_field,
            top_field_first,
        };
        assert_eq!(by_pic_struct(pic_struct), Displayed { first, fields }, "{tag}");
        assert_eq!(by_mpeg2_flags(flags), Displayed { first, fields }, "{tag}");
    }
    assert_eq!(out_of_turn(&film_display()), [] as [usize; 0]);
    // After a picture that ends with a top field another must not begin with one (H.264, D.2.2).
    assert_eq!(out_of_turn(&[by_pic_struct(5), by_pic_struct(3)]), [3]);
}

#[test]
fn pictures_tagged_in_yuv4mpeg2_last_for_the_fields_of_their_tags() {
    // yuv4mpeg(5): in a stream tagged Im every frame says how it is shown; T and B are three fields, t and b two.
    let content = Content::painted("pan", SIZE);
    let mut bytes = format!("YUV4MPEG2 W{} H{} F30000:1001 Im C420\n", SIZE.width, SIZE.height).into_bytes();
    for (moment, tag) in ['T', 'b', 'B', 't'].into_iter().cycle().enumerate().take(PICTURES) {
        bytes.extend_from_slice(format!("FRAME I{tag}pp\n").as_bytes());
        content.picture(moment).write_to(&mut bytes).unwrap();
    }
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("tagged.y4m");
    fs::write(&path, bytes).unwrap();
    let audited = audit(&path, &[], scratch.path());
    let display = film_display();
    assert_eq!(audited.frames.len(), PICTURES);
    for (number, row) in audited.frames.iter().enumerate() {
        let fields: usize = display[..number].iter().map(|picture| picture.fields).sum();
        let expected = fields as f64 * 1001.0 / 60_000.0;
        assert!((row.time_s - expected).abs() < 1e-8, "picture {number}: {} {expected}", row.time_s);
    }
}

/// MPEG-2 from a general-purpose encoder, then the flags of each picture as `pictures` has them.
fn mpeg2_with(pictures: &[Displayed], scratch: &Path) -> PathBuf {
    let stream = scratch.join("film.m2v");
    let options = "-c:v mpeg2video -q:v 3 -bf 0 -g 12 -r 24000/1001 -threads 1";
    ffmpeg(&raw_pictures(scratch), options, &stream);
    let mut bytes = fs::read(&stream).expect("the encoder wrote");
    let places: Vec<(u8, usize)> = start_codes(&bytes).collect();
    let mut number = 0;
    for (_, at) in places.into_iter().filter(|(code, _)| *code == EXTENSION_START) {
        match bytes[at] >> 4 {
            SEQUENCE_EXTENSION => bytes[at + 1] &= !0x08,
            PICTURE_CODING_EXTENSION => {
                let Displayed { first, fields } = pictures[number];
                bytes[at + 3] &= !0x82;
                bytes[at + 3] |= u8::from(first == Parity::Top) << 7 | u8::from(fields == 3) << 1;
                number += 1;
            }
            _ => {}
        }
    }
    assert_eq!(number, pictures.len());
    fs::write(&stream, bytes).expect("the scratch folder takes the stream");
    stream
}

#[test]
fn film_flagged_in_mpeg2_is_found_in_its_fields() {
    if !ffmpeg_is_here() {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let stream = mpeg2_with(&film_display(), scratch.path());
    let read: Vec<Displayed> =
        mpeg2_flags(&fs::read(&stream).unwrap()).into_iter().map(by_mpeg2_flags).collect();
    assert_eq!(read, film_display());
    let audited = audit(&carried_out(&stream), &[], scratch.path());
    agree(&audited, &read, "MPEG-2");
    classes_agree(&audited, &pictures_of(&read), "MPEG-2");
    assert_eq!(audited.outcome.as_deref(), Some("film-pulldown"));
}

/// `pic_struct` of every access unit, read by a general-purpose library.
fn pic_structs(stream: &Path) -> Vec<u32> {
    let run = Command::new("ffmpeg")
        .args(["-nostdin", "-i"])
        .arg(stream)
        .args(["-c", "copy", "-bsf:v", "trace_headers", "-f", "null", "-"])
        .output()
        .expect("ffmpeg starts");
    let log = String::from_utf8_lossy(&run.stderr);
    let line =
        |line: &str| line.contains(" pic_struct ").then(|| line.rsplit("= ").next()?.trim().parse().ok())?;
    log.lines().filter_map(line).collect()
}

/// H.264 from a general-purpose encoder, in the order of display, then `pic_struct` of each picture as given.
fn h264_with(pictures: &[u32], scratch: &Path) -> PathBuf {
    let stream = scratch.join("film.264");
    let options = "-c:v libx264 -crf 18 -bf 0 -r 24000/1001 -threads 1 -x264-params fake-interlaced=1:tff=1:pic-struct=1";
    ffmpeg(&raw_pictures(scratch), options, &stream);
    let mut bytes = fs::read(&stream).expect("the encoder wrote");
    // A picture timing message of one byte: pic_struct, a flag per clock timestamp (two with 3 and 4, three with 5
    // and 6), the stop bit and zeros (H.264, D.1.2 and table D-1).
    let places: Vec<usize> =
        (0..bytes.len() - 6).filter(|&at| bytes[at..at + 6] == [0, 0, 1, 6, 1, 1]).collect();
    assert_eq!(places.len(), pictures.len(), "a picture timing message per picture");
    for (at, &pic_struct) in places.into_iter().zip(pictures) {
        let clocks = if pic_struct < 5 { 2 } else { 3 };
        bytes[at + 6] = (pic_struct as u8) << 4 | 0x08 >> clocks;
    }
    fs::write(&stream, bytes).expect("the scratch folder takes the stream");
    stream
}

/// The interlaced signal of a stream, woven from its pictures as its flags ask. (The general-purpose library takes
/// the order of a picture's fields from their counts, which the encoder gave before the flags were changed.)
fn woven_by_flags(stream: &Path, display: &[Displayed]) -> PathBuf {
    let run = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i"])
        .arg(stream)
        .args(["-fps_mode", "passthrough", "-pix_fmt", "yuv420p", "-f", "rawvideo", "-"])
        .output()
        .expect("ffmpeg starts");
    let pictures: Vec<Picture> = run
        .stdout
        .chunks_exact(SIZE.quartered_bytes())
        .map(|bytes| Picture::from_quartered(SIZE, bytes))
        .collect();
    assert_eq!(pictures.len(), display.len());
    let mut bytes = format!("YUV4MPEG2 W{} H{} F30000:1001 It C420\n", SIZE.width, SIZE.height).into_bytes();
    for pair in fields_of(display).chunks_exact(2) {
        assert_eq!((pair[0].1, pair[1].1), (Parity::Top, Parity::Bottom));
        bytes.extend_from_slice(b"FRAME\n");
        picture::woven(&pictures[pair[0].0], &pictures[pair[1].0]).write_to(&mut bytes).unwrap();
    }
    let signal = stream.with_extension("signal.y4m");
    fs::write(&signal, bytes).expect("the scratch folder takes the signal");
    signal
}

#[test]
fn film_flagged_in_h264_is_found_in_its_fields() {
    if !ffmpeg_is_here() {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let flags: Vec<u32> = (0..PICTURES).map(|number| FILM_PIC_STRUCTS[number % 4]).collect();
    let stream = h264_with(&flags, scratch.path());
    let read: Vec<Displayed> = pic_structs(&stream).into_iter().map(by_pic_struct).collect();
    assert_eq!(read, film_display());
    let audited = audit(&woven_by_flags(&stream, &read), &[], scratch.path());
    agree(&audited, &read, "H.264");
    classes_agree(&audited, &pictures_of(&read), "H.264");
    assert_eq!(audited.outcome.as_deref(), Some("film-pulldown"));
}

#[test]
fn film_flagged_in_a_real_stream_is_found_in_its_fields() {
    let Some(stream) = clip("soft-pulldown-480.ts") else { return };
    if !ffmpeg_is_here() {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let elementary = scratch.path().join("stream.m2v");
    ffmpeg(&stream, "-map 0:v:0 -c copy -f mpeg2video", &elementary);
    let read: Vec<Displayed> =
        mpeg2_flags(&fs::read(&elementary).unwrap()).into_iter().map(by_mpeg2_flags).collect();
    // The clip's own description: 240 pictures, 120 with the repeat flag.
    assert_eq!(read.len(), 240);
    assert_eq!(read.iter().filter(|picture| picture.fields == 3).count(), 120);
    assert_eq!(out_of_turn(&read), [] as [usize; 0]);
    // 48 pictures of the 240 in 120 fields: two seconds.
    let signal = scratch.path().join("signal.mkv");
    ffmpeg(&stream, &format!("-map 0:v:0 {CARRY_OUT} -frames:v 60 -c:v ffv1"), &signal);
    let audited = audit(&signal, &[], scratch.path());
    agree(&audited, &read[..48], "soft-pulldown-480.ts");
    classes_agree(&audited, &pictures_of(&read[..48]), "soft-pulldown-480.ts");
    assert_eq!(audited.outcome.as_deref(), Some("film-pulldown"));
}

#[test]
fn pictures_doubled_and_tripled_by_flags_are_held_for_two_and_three_frames() {
    // H.264, D.2.2 note 5: doubling and tripling by turns show 23.98 pictures/s on 59.94 frames/s. The same in
    // H.262: progressive sequence, repeat_first_field, without and with top_field_first.
    let h264 = [7, 8].map(by_pic_struct).map(|picture| picture.fields / 2);
    let mpeg2 = [false, true].map(|top_field_first| {
        let flags = Mpeg2Flags {
            progressive_sequence: true,
            progressive_frame: true,
            repeat_first_field: true,
            top_field_first,
        };
        by_mpeg2_flags(flags).fields / 2
    });
    assert_eq!((h264, mpeg2), ([2, 3], [2, 3]));
    let frames =
        h264.iter().cycle().enumerate().flat_map(|(picture, &frames)| vec![picture; frames]).take(60);
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("frames.y4m");
    let content = Content::painted("rotation", SIZE);
    let mut bytes = format!("YUV4MPEG2 W{} H{} F60000:1001 Ip C420\n", SIZE.width, SIZE.height).into_bytes();
    for picture in frames {
        bytes.extend_from_slice(b"FRAME\n");
        content.picture(picture).write_to(&mut bytes).unwrap();
    }
    fs::write(&path, bytes).unwrap();
    let audited = audit(&path, &[], scratch.path());
    let holds = audited.holds.expect("a pattern");
    assert!(holds == [2, 3] || holds == [3, 2], "{holds:?}");
    // Whole pictures: nobody asked for fields.
    assert_eq!(audited.outcome, None);
}

/// Interlaced pictures in motion, as a general-purpose encoder flags them.
fn interlaced(first: Parity, encoder: &str, scratch: &Path) -> PathBuf {
    let name = if first == Parity::Top { "tff" } else { "bff" };
    let device =
        devices::all(60).into_iter().find(|device| device.name == name).expect("a device of the list");
    let content = Arc::new(Content::painted("pan", SIZE));
    let signal = Cell { content, device, recording: Recording::LOSSLESS }.file(scratch);
    let stream = scratch.join("interlaced.ts");
    let order = i32::from(first == Parity::Top);
    ffmpeg(&signal, &format!("{encoder} -flags +ildct+ilme -top {order} -bf 0 -threads 1"), &stream);
    stream
}

#[test]
fn interlaced_streams_are_found_as_their_encoder_flagged_them() {
    if !ffmpeg_is_here() {
        return;
    }
    for first in [Parity::Top, Parity::Bottom] {
        let expected = |fields: usize| vec![Displayed { first, fields }; 30];
        let scratch = tempfile::tempdir().unwrap();

        let stream = interlaced(first, "-c:v mpeg2video -q:v 3", scratch.path());
        let elementary = scratch.path().join("interlaced.m2v");
        ffmpeg(&stream, "-c copy -f mpeg2video", &elementary);
        let flags = mpeg2_flags(&fs::read(&elementary).unwrap());
        assert!(flags.iter().all(|flags| !flags.progressive_frame && !flags.repeat_first_field));
        let display: Vec<Displayed> = flags.into_iter().map(by_mpeg2_flags).collect();
        assert_eq!(display, expected(2));
        agree(&audit(&stream, &[], scratch.path()), &display, "MPEG-2");

        let order = if first == Parity::Top { "tff=1" } else { "bff=1" };
        let encoder = format!("-c:v libx264 -crf 18 -x264-params {order}:pic-struct=1");
        let stream = interlaced(first, &encoder, scratch.path());
        let display: Vec<Displayed> = pic_structs(&stream).into_iter().map(by_pic_struct).collect();
        assert_eq!(display, expected(2));
        agree(&audit(&stream, &[], scratch.path()), &display, "H.264");
    }
}

#[test]
fn every_field_of_an_interlaced_clip_is_called_new() {
    if !ffmpeg_is_here() {
        return;
    }
    for first in [Parity::Top, Parity::Bottom] {
        let scratch = tempfile::tempdir().unwrap();
        let stream = interlaced(first, "-c:v mpeg2video -q:v 3", scratch.path());
        let audited = audit(&stream, &[], scratch.path());
        classes_agree(&audited, &(0..60).collect::<Vec<_>>(), first.name());
    }
}

/// Luma of every frame of a file, 8 bit, read by a general-purpose library.
fn luma(file: &Path, size: Size) -> Vec<Plane> {
    let run = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i"])
        .arg(file)
        .args(["-fps_mode", "passthrough", "-pix_fmt", "gray", "-f", "rawvideo", "-"])
        .output()
        .expect("ffmpeg starts");
    let frames = run.stdout.chunks_exact(size.width * size.height);
    frames.map(|samples| Plane { width: size.width, samples: samples.to_vec() }).collect()
}

/// A point whose both vertical neighbours differ from it by more, to the same side, counts as a zipper point.
const ZIPPER_STEP: i32 = 12;

/// Zipper points of the frame woven from the top rows of one frame and the bottom rows of another.
fn zippers(top: &Plane, bottom: &Plane) -> usize {
    let row = |y: usize| if y % 2 == 0 { top.row(y) } else { bottom.row(y) };
    let points = |y: usize| {
        let (above, here, below) = (row(y - 1), row(y), row(y + 1));
        (0..top.width)
            .filter(|&x| {
                let step = |other: &[u8]| i32::from(here[x]) - i32::from(other[x]);
                let (up, down) = (step(above), step(below));
                up.min(down) > ZIPPER_STEP || up.max(down) < -ZIPPER_STEP
            })
            .count()
    };
    (1..top.height() - 1).map(points).sum()
}

/// Order of the fields by the published method (Baylon and McKoen, US 7,450,180; from its abstract): of two frames
/// in a row weave the bottom of the first with the top of the second, and the top of the first with the bottom of
/// the second. If the former has fewer zipper points, the top field is first.
fn order_by_zippers(frames: &[Plane]) -> &'static str {
    let pairs = || frames.windows(2);
    let bottom_then_top: usize = pairs().map(|pair| zippers(&pair[1], &pair[0])).sum();
    let top_then_bottom: usize = pairs().map(|pair| zippers(&pair[0], &pair[1])).sum();
    if bottom_then_top < top_then_bottom {
        "tff"
    } else {
        "bff"
    }
}

#[test]
fn real_interlaced_streams_are_found_interlaced_in_the_order_of_their_samples() {
    if !ffmpeg_is_here() {
        return;
    }
    let large = Size { width: 1920, height: 1080 };
    for (file, size, frames) in [
        ("camera-1080i50.mts", large, 13),
        ("HCAMFF1_HHI.264", Size { width: 352, height: 288 }, 10),
        // No picture of it is flagged interlaced.
        ("PPH10I4_Panasonic_A.264", large, 10),
    ] {
        let Some(path) = clip(file) else { continue };
        let scratch = tempfile::tempdir().unwrap();
        let planes = luma(&path, size);
        assert_eq!(planes.len(), frames, "{file}");
        let audited = audit(&path, &[], scratch.path());
        assert_eq!(audited.scan, order_by_zippers(&planes), "{file}");
        assert_eq!(audited.fields.len(), 2 * frames, "{file}");
        assert_eq!(audited.outcome.as_deref(), Some("interlaced"), "{file}");
    }
}

/// Where cargo keeps the sources of packages.
fn package_sources() -> Vec<PathBuf> {
    let home = std::env::var_os("CARGO_HOME").map(PathBuf::from);
    let home = home.or_else(|| Some(Path::new(&std::env::var_os("HOME")?).join(".cargo")));
    let sources = home.and_then(|home| fs::read_dir(home.join("registry").join("src")).ok());
    sources.into_iter().flatten().flatten().map(|entry| entry.path()).collect()
}

#[test]
fn progressive_pictures_in_a_stream_flagged_interlaced_are_found_progressive() {
    let file = "cros-codecs-0.0.6/src/codec/h264/test_data/test-25fps-interlaced.h264";
    let Some(path) =
        package_sources().into_iter().map(|folder| folder.join(file)).find(|path| path.is_file())
    else {
        return eprintln!(
            "SKIPPED: {file} is not at hand: `cargo fetch` in a project that needs cros-codecs =0.0.6"
        );
    };
    if !ffmpeg_is_here() {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let audited = audit(&path, &[], scratch.path());
    assert_eq!(audited.scan, "progressive");
    let marked: Vec<u64> = audited
        .frames
        .iter()
        .filter(|row| row.has("combed") || row.has("one-field"))
        .map(|row| row.frame)
        .collect();
    assert_eq!(marked, [] as [u64; 0]);
}

/// Frames per turn of a pattern of film in fields, and which of them mix two pictures. The first four: Poynton,
/// *Digital Video and HDTV* (2003), chapter 36, and its neighbours by the same count; 24 pictures in 50 fields:
/// counted from eleven pictures of two fields and one of three, twelve frames of 25 mix.
const MIXED_FRAMES: [(&str, usize, &[usize]); 5] = [
    ("film-2-3", 5, &[2, 3]),
    ("film-3-2", 5, &[1, 2]),
    ("film-2-3-3-2", 5, &[2]),
    ("film-2-2-2-4", 5, &[]),
    ("film-24-in-50", 25, &[12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22, 23]),
];

#[test]
fn frames_that_mix_two_film_pictures_are_those_of_the_published_table() {
    if !ffmpeg_is_here() {
        return;
    }
    let scratch = tempfile::tempdir().unwrap();
    let content = Arc::new(Content::painted("pan", SIZE));
    for (name, period, mixed) in MIXED_FRAMES {
        let device = devices::all(100).into_iter().find(|device| device.name == name).expect("a device");
        let cell = Cell { content: Arc::clone(&content), device, recording: Recording::LOSSLESS };
        let audited = audit(&cell.file(scratch.path()), &[], scratch.path());
        let combed: Vec<u64> =
            audited.frames.iter().filter(|row| row.has("combed")).map(|row| row.frame).collect();
        let expected: Vec<u64> =
            (0..50).filter(|frame| mixed.contains(&(*frame as usize % period))).collect();
        assert_eq!(combed, expected, "{name}");
    }
}

/// An upright edge: `low` up to column `edge`, then `high`.
fn edge(size: Size, edge: usize, [low, high]: [u8; 2]) -> Picture {
    let column = |place: usize| if place % size.width < edge { low } else { high };
    let luma = (0..size.width * size.height).map(column).collect();
    let grey = Plane { width: size.width / 2, samples: vec![128; size.width * size.height / 4] };
    Picture { planes: [Plane { width: size.width, samples: luma }, grey.clone(), grey] }
}

/// |x[y−1] − 2x[y] + x[y+1]|
fn second_difference(plane: &Plane, x: usize, y: usize) -> i32 {
    let at = |y: usize| i32::from(plane.row(y)[x]);
    (at(y - 1) - 2 * at(y) + at(y + 1)).abs()
}

#[test]
fn a_moved_edge_woven_from_two_moments_alternates_in_as_many_columns_as_it_moved() {
    // Follows from the definition of weaving: w columns alternate between L and L + C row by row, the second
    // difference down a column is 2C there and nothing elsewhere.
    for (way, contrast) in [(1, 200), (3, 40), (8, 9)] {
        let levels = [30, 30 + contrast];
        let woven = picture::woven(&edge(SIZE, 100, levels), &edge(SIZE, 100 + way, levels));
        for y in 1..SIZE.height - 1 {
            for x in 0..SIZE.width {
                let expected = if (100..100 + way).contains(&x) { 2 * i32::from(contrast) } else { 0 };
                assert_eq!(second_difference(&woven.planes[0], x, y), expected, "{way} {contrast}: {x}, {y}");
            }
        }
    }
}

/// Sums of the tile of eight rows and 32 columns at the top left.
fn first_tile(plane: &Plane) -> TileSums {
    let mut sums = Vec::new();
    let all = Chosen { top: 0, first: 0, every: 1, unit: 1.0 };
    tile_sums_8(&plane.samples, &plane.samples, plane.width, all, &mut sums);
    sums[0]
}

/// A tile whose columns are all alike, from its eight rows.
fn tile_of_rows(rows: [u8; 8]) -> TileSums {
    first_tile(&Plane { width: 32, samples: rows.iter().flat_map(|&row| [row; 32]).collect() })
}

/// Weights of a column's rows of one parity add up to this.
const COLUMN_WEIGHT: u32 = 12;

#[test]
fn the_measure_of_combing_gives_what_follows_from_the_definition_of_a_comb() {
    for (way, contrast) in [(1, 200), (3, 40), (8, 9)] {
        let levels = [30, 30 + contrast];
        let woven = picture::woven(&edge(SIZE, 10, levels), &edge(SIZE, 10 + way, levels));
        let tile = first_tile(&woven.planes[0]);
        let step = u32::from(contrast) * way as u32;
        assert_eq!(tile.fit[2], COLUMN_WEIGHT * step, "top against bottom, {way} {contrast}");
        assert_eq!(tile.fit[5], 0, "coarser detail, {way} {contrast}");
        // Three rows of each parity with a second difference of 2C, four and three pairs that differ by C.
        assert_eq!(tile.rows, [6 * step, 6 * step, 4 * step, 3 * step], "{way} {contrast}");
    }
}

#[test]
fn the_measure_of_combing_hardly_sees_what_one_moment_can_hold() {
    const CONTRAST: u8 = 120;
    let whole_comb = 32 * COLUMN_WEIGHT * u32::from(CONTRAST);
    let rows = |bright: &dyn Fn(usize) -> bool| {
        tile_of_rows(std::array::from_fn(|y| if bright(y) { 40 + CONTRAST } else { 40 }))
    };
    assert_eq!(rows(&|y| y % 2 == 0).fit[2], whole_comb);
    for place in 0..8 {
        let step = rows(&|y| y >= place).fit[2];
        assert!(step <= whole_comb / 6, "edge at row {place}: {step}");
        let line = rows(&|y| y == place).fit[2];
        assert!(line <= whole_comb / 3, "line at row {place}: {line}");
    }
    assert_eq!(tile_of_rows(std::array::from_fn(|y| 40 + 7 * y as u8)).fit[2], 0, "an even slope");
}

/// Audits frames at 59.94 per second.
fn audit_of(frames: impl Iterator<Item = Picture>) -> Audited {
    let scratch = tempfile::tempdir().unwrap();
    let path = scratch.path().join("frames.y4m");
    let mut bytes = format!("YUV4MPEG2 W{} H{} F60000:1001 Ip C420\n", SIZE.width, SIZE.height).into_bytes();
    for frame in frames {
        bytes.extend_from_slice(b"FRAME\n");
        frame.write_to(&mut bytes).unwrap();
    }
    fs::write(&path, bytes).unwrap();
    audit(&path, &[], scratch.path())
}

/// Frames of the audits below: few enough that the quickest edge stays in the picture.
const FRAMES: usize = 16;

fn combed(audited: &Audited) -> usize {
    audited.frames.iter().filter(|row| row.has("combed")).count()
}

#[test]
fn edges_woven_from_two_moments_are_combed_and_whole_ones_are_not() {
    for (way, contrast) in [(1, 120), (3, 60), (8, 30)] {
        let levels = [60, 60 + contrast];
        let place = |moment: usize| edge(SIZE, 20 + moment * way, levels);
        let woven = (0..FRAMES).map(|frame| picture::woven(&place(2 * frame), &place(2 * frame + 1)));
        let found = combed(&audit_of(woven));
        assert!(found >= FRAMES - 1, "moved {way}, contrast {contrast}: {found} of {FRAMES} frames");
        let whole = (0..FRAMES).map(place);
        assert_eq!(combed(&audit_of(whole)), 0, "whole pictures, moved {way}, contrast {contrast}");
    }
}

#[test]
fn standing_rows_behind_a_moving_box_are_not_combed() {
    // Rows one line high cannot be told from a comb in one frame: the pattern stays where it is, a comb moves.
    let rows = picture::woven(&edge(SIZE, SIZE.width, [60, 60]), &edge(SIZE, SIZE.width, [180, 180]));
    let passed = (0..FRAMES).map(|frame| {
        let mut picture = rows.clone();
        let way = 40 + frame * 3;
        for row in picture.planes[0].samples.chunks_exact_mut(SIZE.width).skip(60).take(60) {
            row[way..way + 50].fill(110);
        }
        picture
    });
    assert_eq!(combed(&audit_of(passed)), 0, "standing rows behind a moving box");
}
