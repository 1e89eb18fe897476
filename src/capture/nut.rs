//! The part of the NUT container that a decoder writes into a pipe: one stream of raw pictures with exact
//! times.
//!
//! Format: "NUT Open Container Format", 2006-11-04, version 3. Strict: what is not understood is an error,
//! never skipped in silence, except info and index packets, which the pictures do not need.

use std::io::{self, BufReader, Read};

use super::limits::{fill, read_samples, skip, READ_AHEAD};
use crate::units::{gcd, Rate, TimeBase};

/// The file magic, with its final zero.
pub(crate) const MAGIC: &[u8; 25] = b"nut/multimedia container\0";

const MAIN_STARTCODE: u64 = 0x4E4D_7A56_1F5F_04AD;
const STREAM_STARTCODE: u64 = 0x4E53_1140_5BF2_F9DB;
const SYNCPOINT_STARTCODE: u64 = 0x4E4B_E4AD_EECA_4569;
const INFO_STARTCODE: u64 = 0x4E49_AB68_B596_BA78;

/// Packets longer than this carry a checksum of their header too.
const LONG_PACKET: u64 = 4096;

/// Longest main, stream or syncpoint packet, in bytes. They take about 100; info packets past it are
/// skipped.
const PACKET_MAX: u64 = 64 * 1024;

/// Longest frame from which a start that all frames share may be left out, in bytes.
const ELISION_FRAME_MAX: u64 = 4096;

/// Largest frame that a header may claim, in bytes; the caller compares with the picture before reading.
const FRAME_MAX: u64 = 1 << 40;

const VERSION: u64 = 3;

mod flag {
    pub(super) const EOR: u64 = 1 << 1;
    pub(super) const CODED_PTS: u64 = 1 << 3;
    pub(super) const STREAM_ID: u64 = 1 << 4;
    pub(super) const SIZE_MSB: u64 = 1 << 5;
    pub(super) const CHECKSUM: u64 = 1 << 6;
    pub(super) const RESERVED: u64 = 1 << 7;
    pub(super) const SIDE_DATA: u64 = 1 << 8;
    pub(super) const HEADER_INDEX: u64 = 1 << 10;
    pub(super) const MATCH_TIME: u64 = 1 << 11;
    pub(super) const CODED: u64 = 1 << 12;
    pub(super) const INVALID: u64 = 1 << 13;
}

/// Why a stream cannot be read on.
#[derive(Debug)]
pub(crate) enum NutError {
    /// The operating system refused.
    Io(io::Error),
    /// The stream ends inside a packet.
    Cut,
    /// The stream breaks the format, or uses a part of it that decoders do not write.
    Malformed(&'static str),
}

impl From<io::Error> for NutError {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

type Result<T> = std::result::Result<T, NutError>;

/// What the headers say.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct NutStream {
    /// Pixel layout, as four or more bytes.
    pub(crate) fourcc: Vec<u8>,
    /// Pixels across.
    pub(crate) width: u64,
    /// Pixels down.
    pub(crate) height: u64,
    /// Seconds per tick.
    pub(crate) time_base: TimeBase,
    /// The writer's guess of the nominal rate.
    pub(crate) rate: Option<Rate>,
    pts_shift: u32,
}

/// A frame whose samples are still to be read.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct NutFrame {
    /// Presentation time in ticks.
    pub(crate) ticks: i64,
    /// Bytes of the frame.
    pub(crate) size: u64,
    /// First bytes of the frame, which the stream leaves out.
    elided: Vec<u8>,
}

/// One entry of the frame code table.
#[derive(Clone, Copy, Debug)]
struct FrameCode {
    flags: u64,
    pts_delta: i64,
    size_mul: u64,
    size_lsb: u64,
    stream: u64,
    reserved: u64,
    header_index: u64,
}

const INVALID_CODE: FrameCode = FrameCode {
    flags: flag::INVALID,
    pts_delta: 0,
    size_mul: 0,
    size_lsb: 0,
    stream: 0,
    reserved: 0,
    header_index: 0,
};

/// Reads NUT from any byte stream.
pub(crate) struct NutReader<R: Read> {
    input: Checked<R>,
    main: MainHeader,
    stream: NutStream,
    last_pts: i64,
    pending: Option<NutFrame>,
    ended: bool,
}

struct MainHeader {
    time_bases: Vec<TimeBase>,
    codes: Vec<FrameCode>,
    elision: Vec<Vec<u8>>,
}

impl<R: Read> NutReader<R> {
    /// Reads all headers, up to the first frame.
    ///
    /// # Errors
    /// A stream that is cut, malformed, or has not exactly one video stream.
    pub(crate) fn new(input: R) -> Result<Self> {
        let mut input = Checked::new(input);
        let mut magic = [0; MAGIC.len()];
        input.bytes(&mut magic)?;
        if &magic != MAGIC {
            return Err(NutError::Malformed("it does not start with the NUT magic"));
        }
        let main = MainHeader::parse(&input.required_packet(MAIN_STARTCODE)?)?;
        let stream = NutStream::parse(&input.required_packet(STREAM_STARTCODE)?, &main)?;
        let mut reader = Self { input, main, stream, last_pts: 0, pending: None, ended: false };
        reader.pending = reader.next_header()?;
        Ok(reader)
    }

    /// What the headers say.
    pub(crate) fn stream(&self) -> &NutStream {
        &self.stream
    }

    /// The next frame's time and size; `None` at the end. Its samples must be read before the next call.
    ///
    /// # Errors
    /// A stream that is cut or malformed.
    pub(crate) fn next_frame(&mut self) -> Result<Option<NutFrame>> {
        match self.pending.take() {
            Some(frame) => Ok(Some(frame)),
            None => self.next_header(),
        }
    }

    /// Reads the samples of `frame`.
    ///
    /// # Errors
    /// A stream that is cut.
    pub(crate) fn read_samples(&mut self, frame: &NutFrame, samples: &mut Vec<u8>) -> Result<()> {
        let size = frame.size as usize;
        let got = if frame.elided.is_empty() {
            read_samples(&mut self.input.reader, samples, size)?
        } else {
            samples.resize(size, 0);
            let (start, rest) = samples.split_at_mut(frame.elided.len());
            start.copy_from_slice(&frame.elided);
            start.len() + fill(&mut self.input.reader, rest)?
        };
        if got < size {
            return Err(NutError::Cut);
        }
        Ok(())
    }

    /// Passes over packets up to the next frame and reads its header.
    fn next_header(&mut self) -> Result<Option<NutFrame>> {
        while !self.ended {
            self.input.crc = 0;
            let Some(first) = self.input.first_byte()? else { break };
            if first != b'N' {
                let (frame, is_end) = self.frame_header(first)?;
                if !is_end {
                    return Ok(Some(frame));
                }
                self.ended = true;
                break;
            }
            let startcode = self.input.startcode_after(first)?;
            match startcode {
                SYNCPOINT_STARTCODE => {
                    let body = self.input.packet_body()?;
                    self.last_pts = self.syncpoint_pts(&mut Fields(&body))?;
                }
                INFO_STARTCODE => {
                    if let Some(body) = self.input.packet_body_or_skip()? {
                        // Info is free text for people: what cannot be understood does not matter.
                        self.stream.rate = self.stream.rate.or(rate_in_info(&body));
                    }
                }
                _ => self.input.skip_packet()?,
            }
        }
        self.ended = true;
        Ok(None)
    }

    fn syncpoint_pts(&self, fields: &mut Fields) -> Result<i64> {
        let count = self.main.time_bases.len() as u64;
        let coded = fields.v()?;
        let from = self.main.time_bases[(coded % count) as usize];
        convert_ticks(coded / count, from, self.stream.time_base)
            .ok_or(NutError::Malformed("a syncpoint's time does not fit"))
    }

    fn frame_header(&mut self, code: u8) -> Result<(NutFrame, bool)> {
        let entry = self.main.codes[usize::from(code)];
        let input = &mut self.input;
        let mut flags = entry.flags;
        if flags & flag::INVALID != 0 {
            return Err(NutError::Malformed("no frame header where one is due"));
        }
        if flags & flag::CODED != 0 {
            flags ^= input.v()?;
        }
        let has = |wanted: u64| flags & wanted != 0;
        if has(flag::SIDE_DATA) {
            return Err(NutError::Malformed("a frame carries side data"));
        }
        let stream = if has(flag::STREAM_ID) { input.v()? } else { entry.stream };
        let pts = if has(flag::CODED_PTS) {
            pts_from_coded(input.v()?, self.stream.pts_shift, self.last_pts)
        } else {
            self.last_pts.checked_add(entry.pts_delta)
        };
        let size_msb = if has(flag::SIZE_MSB) { input.v()? } else { 0 };
        if has(flag::MATCH_TIME) {
            input.v()?;
        }
        let header_index = if has(flag::HEADER_INDEX) { input.v()? } else { entry.header_index };
        let reserved = if has(flag::RESERVED) { input.v()? } else { entry.reserved };
        if reserved > 256 {
            return Err(NutError::Malformed("a frame has too many reserved fields"));
        }
        for _ in 0..reserved {
            input.v()?;
        }
        if has(flag::CHECKSUM) {
            input.verify_checksum()?;
        }
        let pts = pts.ok_or(NutError::Malformed("a frame's time does not fit"))?;
        let size = size_msb
            .checked_mul(entry.size_mul)
            .and_then(|size| size.checked_add(entry.size_lsb))
            .filter(|&size| size <= FRAME_MAX)
            .ok_or(NutError::Malformed("a frame's size does not fit"))?;
        if stream != 0 {
            return Err(NutError::Malformed("a frame belongs to a stream that does not exist"));
        }
        let header_index = if size > ELISION_FRAME_MAX { 0 } else { header_index };
        let elided = usize::try_from(header_index).ok().and_then(|index| self.main.elision.get(index));
        let elided = elided.ok_or(NutError::Malformed("a frame's shared start does not exist"))?;
        if elided.len() as u64 > size && !has(flag::EOR) {
            return Err(NutError::Malformed("a frame is shorter than its shared start"));
        }
        self.last_pts = pts;
        Ok((NutFrame { ticks: pts, size, elided: elided.clone() }, has(flag::EOR)))
    }
}

impl MainHeader {
    fn parse(body: &[u8]) -> Result<Self> {
        let mut fields = Fields(body);
        if fields.v()? != VERSION {
            return Err(NutError::Malformed("its NUT version is not 3"));
        }
        if fields.v()? != 1 {
            return Err(NutError::Malformed("it has not exactly one stream"));
        }
        let _max_distance = fields.v()?;
        let count = fields.v()?;
        if count == 0 || count > body.len() as u64 {
            return Err(NutError::Malformed("it has no time base"));
        }
        let mut time_bases = Vec::new();
        for _ in 0..count {
            time_bases.push(time_base(fields.v()?, fields.v()?)?);
        }
        let codes = frame_codes(&mut fields)?;
        let shared = fields.v()?;
        let mut elision = vec![Vec::new()];
        for _ in 0..shared.min(128) {
            elision.push(fields.bytes()?.to_vec());
        }
        Ok(Self { time_bases, codes, elision })
    }
}

/// The frame code table; its packed form is in section "main header" of the format.
fn frame_codes(fields: &mut Fields) -> Result<Vec<FrameCode>> {
    let mut codes = Vec::with_capacity(256);
    let mut entry = FrameCode { size_mul: 1, ..INVALID_CODE };
    while codes.len() < 256 {
        entry.flags = fields.v()?;
        let given = fields.v()?;
        if given > 0 {
            entry.pts_delta = fields.s()?;
        }
        if given > 1 {
            entry.size_mul = fields.v()?;
        }
        if given > 2 {
            entry.stream = fields.v()?;
        }
        let size = if given > 3 { fields.v()? } else { 0 };
        entry.reserved = if given > 4 { fields.v()? } else { 0 };
        let count = if given > 5 { fields.v()? } else { entry.size_mul.saturating_sub(size) };
        if given > 6 {
            let _match_time = fields.s()?;
        }
        if given > 7 {
            entry.header_index = fields.v()?;
        }
        for _ in 8..given {
            fields.v()?;
        }
        for step in 0..count {
            if codes.len() == usize::from(b'N') {
                codes.push(INVALID_CODE);
            }
            if codes.len() == 256 {
                return Err(NutError::Malformed("its frame code table is too long"));
            }
            codes.push(FrameCode { size_lsb: size.saturating_add(step), ..entry });
        }
        if codes.len() == usize::from(b'N') {
            codes.push(INVALID_CODE);
        }
    }
    Ok(codes)
}

fn time_base(num: u64, den: u64) -> Result<TimeBase> {
    // Ticks are taken over unchanged, so the ratio must be in lowest terms already.
    if gcd(num, den) != 1 {
        return Err(NutError::Malformed("a time base is not in lowest terms"));
    }
    TimeBase::new(num, den).ok_or(NutError::Malformed("a time base is out of range"))
}

impl NutStream {
    fn parse(body: &[u8], main: &MainHeader) -> Result<Self> {
        let mut fields = Fields(body);
        if fields.v()? != 0 {
            return Err(NutError::Malformed("its stream is not number 0"));
        }
        if fields.v()? != 0 {
            return Err(NutError::Malformed("its stream is not video"));
        }
        let fourcc = fields.bytes()?.to_vec();
        let base = usize::try_from(fields.v()?).ok().and_then(|id| main.time_bases.get(id).copied());
        let time_base = base.ok_or(NutError::Malformed("its stream's time base does not exist"))?;
        let pts_shift = fields.v()?;
        if pts_shift > 16 {
            return Err(NutError::Malformed("its times have more than 16 short bits"));
        }
        let _max_pts_distance = fields.v()?;
        let _decode_delay = fields.v()?;
        let _stream_flags = fields.v()?;
        let _codec_data = fields.bytes()?;
        let (width, height) = (fields.v()?, fields.v()?);
        Ok(Self { fourcc, width, height, time_base, rate: None, pts_shift: pts_shift as u32 })
    }
}

/// The value named `r_frame_rate` in an info packet.
fn rate_in_info(body: &[u8]) -> Option<Rate> {
    let mut fields = Fields(body);
    let next = |fields: &mut Fields| fields.v().ok();
    next(&mut fields)?; // stream
    fields.s().ok()?; // chapter
    next(&mut fields)?; // chapter start
    next(&mut fields)?; // chapter length
    let count = next(&mut fields)?;
    for _ in 0..count.min(body.len() as u64) {
        let name = fields.bytes().ok()?;
        let value = match fields.s().ok()? {
            -1 => fields.bytes().ok()?,
            -2 => {
                fields.bytes().ok()?;
                fields.bytes().ok()?
            }
            kind if kind <= -3 => {
                fields.v().ok()?;
                continue;
            }
            _ => continue,
        };
        if name == b"r_frame_rate" {
            let (num, den) = std::str::from_utf8(value).ok()?.split_once('/')?;
            return Rate::new(num.parse().ok()?, den.parse().ok()?);
        }
    }
    None
}

/// `ticks` of `from` in ticks of `to`, rounded down: the format's own conversion, in wider integers.
fn convert_ticks(ticks: u64, from: TimeBase, to: TimeBase) -> Option<i64> {
    let numerator = u128::from(ticks) * u128::from(from.num()) * u128::from(to.den());
    i64::try_from(numerator / (u128::from(from.den()) * u128::from(to.num()))).ok()
}

/// A coded time: short ones are the low bits of a time near the last one.
fn pts_from_coded(coded: u64, shift: u32, last: i64) -> Option<i64> {
    if coded >= 1 << shift {
        return i64::try_from(coded - (1 << shift)).ok();
    }
    let mask = (1i64 << shift) - 1;
    let delta = last.checked_sub(mask / 2)?;
    ((coded as i64).wrapping_sub(delta) & mask).checked_add(delta)
}

/// The fields of a packet's body.
struct Fields<'a>(&'a [u8]);

impl<'a> Fields<'a> {
    /// An unsigned number: seven bits a byte, most significant first.
    fn v(&mut self) -> Result<u64> {
        decode_v(|| {
            let (&first, rest) = self.0.split_first().ok_or(NutError::Malformed("a packet is too short"))?;
            self.0 = rest;
            Ok(first)
        })
    }

    /// A signed number.
    fn s(&mut self) -> Result<i64> {
        let folded = i64::try_from(self.v()?)
            .ok()
            .and_then(|value| value.checked_add(1))
            .ok_or(NutError::Malformed("a number is too large"))?;
        Ok(if folded & 1 == 1 { -(folded >> 1) } else { folded >> 1 })
    }

    /// A counted run of bytes.
    fn bytes(&mut self) -> Result<&'a [u8]> {
        let len = usize::try_from(self.v()?).unwrap_or(usize::MAX);
        if len > self.0.len() {
            return Err(NutError::Malformed("a packet is too short"));
        }
        let (bytes, rest) = self.0.split_at(len);
        self.0 = rest;
        Ok(bytes)
    }
}

fn decode_v(mut next: impl FnMut() -> Result<u8>) -> Result<u64> {
    let mut value = 0u64;
    // Nine groups of seven bits are 63; no number that is used here needs more.
    for _ in 0..9 {
        let byte = next()?;
        value = (value << 7) | u64::from(byte & 0x7F);
        if byte & 0x80 == 0 {
            return Ok(value);
        }
    }
    Err(NutError::Malformed("a number is too large"))
}

/// A byte stream with a running checksum over headers.
struct Checked<R: Read> {
    reader: BufReader<R>,
    crc: u32,
}

impl<R: Read> Checked<R> {
    fn new(input: R) -> Self {
        Self { reader: BufReader::with_capacity(READ_AHEAD, input), crc: 0 }
    }

    fn bytes(&mut self, target: &mut [u8]) -> Result<()> {
        if fill(&mut self.reader, target)? < target.len() {
            return Err(NutError::Cut);
        }
        self.crc = crc32(self.crc, target);
        Ok(())
    }

    fn byte(&mut self) -> Result<u8> {
        let mut byte = [0];
        self.bytes(&mut byte)?;
        Ok(byte[0])
    }

    /// The first byte of a packet or frame; `None` at the end of the stream.
    fn first_byte(&mut self) -> Result<Option<u8>> {
        match self.byte() {
            Ok(byte) => Ok(Some(byte)),
            Err(NutError::Cut) => Ok(None),
            Err(error) => Err(error),
        }
    }

    fn v(&mut self) -> Result<u64> {
        decode_v(|| self.byte())
    }

    /// Reads a checksum and compares it with that of all since `crc` was set to 0.
    fn verify_checksum(&mut self) -> Result<()> {
        let expected = self.crc;
        let mut stored = [0; 4];
        self.bytes(&mut stored)?;
        if u32::from_be_bytes(stored) == expected {
            Ok(())
        } else {
            Err(NutError::Malformed("a checksum does not match"))
        }
    }

    fn startcode_after(&mut self, first: u8) -> Result<u64> {
        let mut startcode = [first; 8];
        self.bytes(&mut startcode[1..])?;
        Ok(u64::from_be_bytes(startcode))
    }

    /// Length of the rest of a packet, whose startcode has just been read.
    fn packet_len(&mut self) -> Result<u64> {
        let len = self.v()?;
        if len > LONG_PACKET {
            self.verify_checksum()?;
        }
        if len < 4 {
            return Err(NutError::Malformed("a packet is too short"));
        }
        Ok(len)
    }

    fn required_packet(&mut self, startcode: u64) -> Result<Vec<u8>> {
        self.crc = 0;
        let first = self.byte()?;
        if self.startcode_after(first)? != startcode {
            return Err(NutError::Malformed("a header is missing"));
        }
        self.packet_body()
    }

    fn packet_body(&mut self) -> Result<Vec<u8>> {
        self.packet_body_or_skip()?.ok_or(NutError::Malformed("a packet is too long"))
    }

    /// The body of a packet without its checksum, which is verified; `None` past [`PACKET_MAX`].
    fn packet_body_or_skip(&mut self) -> Result<Option<Vec<u8>>> {
        let len = self.packet_len()?;
        if len > PACKET_MAX {
            self.skip_bytes(len)?;
            return Ok(None);
        }
        let mut body = vec![0; len as usize - 4];
        self.crc = 0;
        self.bytes(&mut body)?;
        self.verify_checksum()?;
        Ok(Some(body))
    }

    fn skip_packet(&mut self) -> Result<()> {
        let len = self.packet_len()?;
        self.skip_bytes(len)
    }

    fn skip_bytes(&mut self, len: u64) -> Result<()> {
        if skip(&mut self.reader, len)? < len {
            return Err(NutError::Cut);
        }
        Ok(())
    }
}

/// CRC-32 with generator 0x04C11DB7, most significant bit first, start and end value 0.
fn crc32(start: u32, bytes: &[u8]) -> u32 {
    bytes.iter().fold(start, |crc, &byte| (crc << 8) ^ CRC_TABLE[usize::from((crc >> 24) as u8 ^ byte)])
}

const CRC_TABLE: [u32; 256] = {
    let mut table = [0; 256];
    let mut index = 0;
    while index < 256 {
        let mut crc = (index as u32) << 24;
        let mut bit = 0;
        while bit < 8 {
            crc = if crc & 0x8000_0000 != 0 { (crc << 1) ^ 0x04C1_1DB7 } else { crc << 1 };
            bit += 1;
        }
        table[index] = crc;
        index += 1;
    }
    table
};

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::capture::testing::Numbers;

    /// Writes the streams that the tests read.
    pub(crate) struct NutWriter {
        pub(crate) bytes: Vec<u8>,
        time_base: TimeBase,
    }

    pub(crate) fn v(value: u64) -> Vec<u8> {
        let mut groups = vec![(value & 0x7F) as u8];
        let mut rest = value >> 7;
        while rest > 0 {
            groups.insert(0, (rest & 0x7F) as u8 | 0x80);
            rest >>= 7;
        }
        groups
    }

    fn s(value: i64) -> Vec<u8> {
        v(if value > 0 { 2 * value as u64 - 1 } else { 2 * value.unsigned_abs() })
    }

    fn counted(bytes: &[u8]) -> Vec<u8> {
        [v(bytes.len() as u64), bytes.to_vec()].concat()
    }

    fn packet(startcode: u64, body: &[u8]) -> Vec<u8> {
        let mut head = [startcode.to_be_bytes().to_vec(), v(body.len() as u64 + 4)].concat();
        if body.len() as u64 + 4 > LONG_PACKET {
            head.extend(crc32(0, &head).to_be_bytes());
        }
        [head, body.to_vec(), crc32(0, body).to_be_bytes().to_vec()].concat()
    }

    /// Code 0 is invalid, 1 is all coded, 2 has a coded size and is one tick later, the rest is invalid.
    fn main_body(time_base: TimeBase, elision: &[&[u8]]) -> Vec<u8> {
        let mut body = [3, 1].map(v).concat();
        body.extend([v(32767), v(1), v(time_base.num()), v(time_base.den())].concat());
        let entry = |flags, pts, count| [v(flags), v(6), s(pts), v(1), v(0), v(0), v(0), v(count)].concat();
        body.extend(entry(flag::INVALID, 0, 1));
        body.extend(entry(flag::CODED, 0, 1));
        body.extend(entry(flag::SIZE_MSB, 1, 1));
        body.extend(entry(flag::INVALID, 0, 252));
        body.extend(v(elision.len() as u64));
        body.extend(elision.iter().flat_map(|bytes| counted(bytes)));
        body
    }

    fn stream_body(fourcc: &[u8], width: u64, height: u64) -> Vec<u8> {
        let mut body = [v(0), v(0), counted(fourcc), v(0), v(7), v(0), v(0), v(0), v(0)].concat();
        body.extend([v(width), v(height), v(0), v(0), v(0)].concat());
        body
    }

    impl NutWriter {
        pub(crate) fn new(fourcc: &[u8], width: u64, height: u64, time_base: TimeBase) -> Self {
            let main = packet(MAIN_STARTCODE, &main_body(time_base, &[b"\0\0\x01"]));
            let stream = packet(STREAM_STARTCODE, &stream_body(fourcc, width, height));
            let info = [
                [v(1), s(0), v(0), v(0), v(2)].concat(),
                [counted(b"encoder"), s(-1), counted(b"test")].concat(),
                [counted(b"r_frame_rate"), s(-1), counted(b"25/1")].concat(),
            ];
            let info = packet(INFO_STARTCODE, &info.concat());
            Self { bytes: [MAGIC.to_vec(), main, stream, info].concat(), time_base }
        }

        pub(crate) fn syncpoint(mut self, ticks: u64) -> Self {
            assert_eq!(convert_ticks(ticks, self.time_base, self.time_base), Some(ticks as i64));
            self.bytes.extend(packet(SYNCPOINT_STARTCODE, &[v(ticks), v(0)].concat()));
            self
        }

        pub(crate) fn frame(mut self, ticks: u64, samples: &[u8]) -> Self {
            let flags = flag::CODED_PTS | flag::SIZE_MSB | flag::CHECKSUM;
            let head = [vec![1], v(flags), v(ticks + 128), v(samples.len() as u64)].concat();
            self.bytes.extend(&head);
            self.bytes.extend(crc32(0, &head).to_be_bytes());
            self.bytes.extend(samples);
            self
        }
    }

    fn two_frames() -> Vec<u8> {
        NutWriter::new(b"Y800", 2, 2, TimeBase::new(1, 90_000).unwrap())
            .syncpoint(100)
            .frame(3003, b"abcd")
            .syncpoint(3003)
            .frame(6007, b"efgh")
            .bytes
    }

    fn read(bytes: &[u8]) -> Result<Vec<(i64, Vec<u8>)>> {
        let mut reader = NutReader::new(bytes)?;
        let mut frames = Vec::new();
        while let Some(frame) = reader.next_frame()? {
            // As every caller does: no frame is read whose size is not the picture's.
            if frame.size > 4 {
                return Err(NutError::Malformed("size"));
            }
            let mut samples = Vec::new();
            reader.read_samples(&frame, &mut samples)?;
            frames.push((frame.ticks, samples));
        }
        Ok(frames)
    }

    #[test]
    fn headers_and_frames_are_read() {
        let bytes = two_frames();
        let reader = NutReader::new(bytes.as_slice()).unwrap();
        let stream = reader.stream();
        assert_eq!((stream.fourcc.as_slice(), stream.width, stream.height), (&b"Y800"[..], 2, 2));
        assert_eq!(stream.time_base, TimeBase::new(1, 90_000).unwrap());
        assert_eq!(stream.rate, Rate::new(25, 1));
        assert_eq!(read(&bytes).unwrap(), [(3003, b"abcd".to_vec()), (6007, b"efgh".to_vec())]);
    }

    #[test]
    fn short_times_shared_starts_and_the_end_mark_are_read() {
        let mut bytes = two_frames();
        let flags = flag::CODED_PTS | flag::SIZE_MSB | flag::HEADER_INDEX;
        // Low 7 bits of 6050 near 6007; its first three bytes come from the main header.
        bytes.extend([vec![1], v(flags), v(6050 & 127), v(4), v(1), b"z".to_vec()].concat());
        // The next tick, by the frame code table.
        bytes.extend([vec![2], v(4), b"wxyz".to_vec()].concat());
        bytes.extend([vec![1], v(flag::EOR | flag::CODED_PTS), v(9000 + 128)].concat());
        bytes.extend(b"what follows the end does not count");
        let frames = read(&bytes).unwrap();
        assert_eq!(frames[2..], [(6050, b"\0\0\x01z".to_vec()), (6051, b"wxyz".to_vec())]);
    }

    #[test]
    fn short_times_follow_the_formats_own_example() {
        // NUT specification: after 257, the low bits 255, 0, 4, 2, 3 of an 8-bit time mean these.
        let mut last = 257;
        for (coded, expected) in [(255, 255), (0, 256), (4, 260), (2, 258), (3, 259)] {
            last = pts_from_coded(coded, 8, last).unwrap();
            assert_eq!(last, expected);
        }
        assert_eq!(pts_from_coded((1 << 8) + 7, 8, 1 << 40), Some(7));
    }

    #[test]
    fn numbers_have_the_formats_coding() {
        for (bytes, value) in
            [(&[0x00][..], 0u64), (&[0x7F], 127), (&[0x81, 0x00], 128), (&[0xC0, 0x00], 8192)]
        {
            assert_eq!(Fields(bytes).v().unwrap(), value);
            assert_eq!(v(value), bytes);
        }
        for (bytes, value) in [(0u8, 0i64), (1, 1), (2, -1), (3, 2), (4, -2)] {
            assert_eq!(Fields(&[bytes]).s().unwrap(), value);
            assert_eq!(s(value), [bytes]);
        }
        assert!(Fields(&[0x80; 20]).v().is_err());
    }

    #[test]
    fn checksums_have_the_formats_coding() {
        // MEMORY: CRC-32 with this generator, start 0, no reflection, of "123456789" is 0x89A1897F.
        assert_eq!(crc32(0, b"123456789"), 0x89A1_897F);
        let bytes = two_frames();
        for at in [30, 120, bytes.len() - 14] {
            let mut damaged = bytes.clone();
            damaged[at] ^= 1;
            assert!(matches!(read(&damaged), Err(NutError::Malformed(_) | NutError::Cut)), "{at}");
        }
    }

    #[test]
    fn every_truncation_is_told() {
        let bytes = two_frames();
        for len in 0..bytes.len() {
            match read(&bytes[..len]) {
                Ok(frames) => {
                    // Only the ends of packets and frames are no cut.
                    let rest = &bytes[len..];
                    assert!(rest[0] == b'N' || rest[0] == 1, "{len}");
                    assert!(frames.len() < 2);
                }
                Err(NutError::Cut) => {}
                Err(error) => panic!("{len}: {error:?}"),
            }
        }
    }

    #[test]
    fn hostile_headers_are_refused() {
        let base = TimeBase::new(1, 25).unwrap();
        let with_main = |body: Vec<u8>| [MAGIC.to_vec(), packet(MAIN_STARTCODE, &body)].concat();
        let start = |streams: u64, bases: u64| [v(3), v(streams), v(100), v(bases)].concat();
        for (body, cause) in [
            ([v(4), vec![0; 9]].concat(), "its NUT version is not 3"),
            (start(2, 1), "it has not exactly one stream"),
            (start(1, 0), "it has no time base"),
            (start(1, 1 << 60), "it has no time base"),
            ([start(1, 1), v(2), v(50)].concat(), "a time base is not in lowest terms"),
            ([start(1, 1), v(1), v(1 << 40)].concat(), "a time base is out of range"),
            ([start(1, 1), v(1), v(25)].concat(), "a packet is too short"),
            (
                [start(1, 1), v(1), v(25), v(0), v(6), s(0), v(1), v(0), v(0), v(0), v(1 << 60)].concat(),
                "its frame code table is too long",
            ),
        ] {
            assert!(
                matches!(read(&with_main(body)), Err(NutError::Malformed(found)) if found == cause),
                "{cause}"
            );
        }
        let long = [vec![0; 8], v(1 << 50)].concat();
        assert!(matches!(
            read(&[MAGIC.to_vec(), long].concat()),
            Err(NutError::Malformed("a header is missing"))
        ));
        let huge = NutWriter::new(b"Y800", 2, 2, base);
        let claim = [huge.bytes, vec![2], v(1 << 50)].concat();
        assert!(matches!(read(&claim), Err(NutError::Malformed("a frame's size does not fit"))));
    }

    #[test]
    fn mutated_streams_give_an_error_or_frames() {
        let bytes = two_frames();
        let mut numbers = Numbers(0x5EED);
        for _ in 0..20_000 {
            let mutant = numbers.mutated(&bytes);
            if let Ok(frames) = read(&mutant) {
                assert!(frames.len() <= mutant.len());
            }
        }
    }

    #[test]
    fn mutated_headers_with_right_checksums_give_an_error_or_frames() {
        let base = TimeBase::new(1, 25).unwrap();
        let mut numbers = Numbers(0xBEEF);
        for _ in 0..20_000 {
            let main = numbers.mutated(&main_body(base, &[b"\0\0\x01"]));
            let stream = numbers.mutated(&stream_body(b"Y800", 2, 2));
            let sync = numbers.mutated(&[v(100), v(0)].concat());
            let frame = numbers.mutated(&[vec![1], v(flag::CODED_PTS | flag::SIZE_MSB), v(5), v(4)].concat());
            let bytes = [
                MAGIC.to_vec(),
                packet(MAIN_STARTCODE, &main),
                packet(STREAM_STARTCODE, &stream),
                packet(SYNCPOINT_STARTCODE, &sync),
                frame,
                b"abcd".to_vec(),
            ];
            let _outcome = read(&bytes.concat());
        }
    }
}
