//! What comes over the service line, in both directions.

use crate::bytes::Bytes;
use crate::settings::{CRC, with_checksum};
use embedded_io::{ErrorKind, ErrorType, Read, ReadReady};
use forewarm::service::heard::Heard;
use forewarm::service::reader::Reader;
use forewarm_core::wire::frame::{PROTOCOL, decode, encode, frame_bytes};
use forewarm_core::wire::record::fingerprint;
use forewarm_core::wire::service::{MAX_MESSAGE, Message, Request};
use forewarm_firmware::probe::Listener;
use serde::{Deserialize, Serialize};

/// Bytes of the longest frame that the host hears.
const HOST_LONGEST: usize = frame_bytes(MAX_MESSAGE);

/// The controller and the host find exactly the frames that a plain reader finds, whatever stands between them, and
/// the good frame after all of it. What is read is written again with the same meaning.
///
/// # Panics
/// If not.
pub fn frames(data: &[u8]) {
    let mut bytes = Bytes(data);
    let piece = usize::from(bytes.byte()).max(1);
    let mut line = Vec::new();
    while !bytes.is_empty() && line.len() < 8_000 {
        add_segment(&mut bytes, &mut line);
    }
    // Whatever was there, it ends; then each side hears what is meant for it.
    line.push(0);
    line.extend(framed(&Request::Identify));
    line.extend(framed(&Message::Done));
    controller_hears(&line);
    host_hears(&line, piece);
}

/// A stretch of the line: noise, or a frame with what the bytes hold in it.
fn add_segment(bytes: &mut Bytes, line: &mut Vec<u8>) {
    let [kind, low, high] = bytes.array();
    let length = usize::from(u16::from_le_bytes([low, high])) % 700;
    let raw = bytes.slice(length);
    match kind % 8 {
        0 => line.extend(raw),
        1 => {
            line.extend(raw);
            line.push(0);
        }
        2 | 3 => line.extend(enveloped(&[&[PROTOCOL], raw].concat())),
        4 => line.extend(enveloped(raw)),
        5 => line.extend(framed(&Request::WriteSettings { replaces: fingerprint(raw), record: raw })),
        6 => {
            let mut frame = enveloped(&[&[PROTOCOL], raw].concat());
            let at = usize::from(low) % frame.len();
            frame[at] ^= 1 << (high % 8);
            line.extend(frame);
        }
        _ => line.extend(std::iter::repeat_n(high | 1, length * 2)),
    }
}

/// `body` behind a right checksum, as a frame.
fn enveloped(body: &[u8]) -> Vec<u8> {
    let body = with_checksum(body);
    let mut room = vec![0; body.len() + body.len() / 254 + 2];
    let length = cobs::encode(&body, &mut room);
    room.truncate(length);
    room.push(0);
    room
}

fn framed<T: Serialize>(message: &T) -> Vec<u8> {
    let mut room = [0; 1024];
    encode(message, &mut room).expect("there is room").to_vec()
}

/// What a plain reader makes of a frame without its zero.
#[derive(Debug, PartialEq)]
enum Found {
    TooLong,
    Damaged,
    Unknown,
    /// The bytes of a message or request, which can be read.
    Good(Vec<u8>),
}

/// The frames of a line as the definition has them.
fn found(line: &[u8], longest: usize, is_known: fn(&[u8]) -> bool) -> Vec<(&[u8], Found)> {
    // The line ends with a zero, and what is empty is no frame.
    let frames = line.split(|&byte| byte == 0).filter(|frame| !frame.is_empty());
    frames.map(|frame| (frame, one(frame, longest, is_known))).collect()
}

fn one(frame: &[u8], longest: usize, is_known: fn(&[u8]) -> bool) -> Found {
    if frame.len() > longest {
        return Found::TooLong;
    }
    let Some(body) = unstuffed(frame) else { return Found::Damaged };
    let Some((body, sum)) = body.split_last_chunk::<4>() else { return Found::Damaged };
    if CRC.checksum(body) != u32::from_le_bytes(*sum) || body.is_empty() {
        return Found::Damaged;
    }
    if body[0] == PROTOCOL && is_known(&body[1..]) { Found::Good(body[1..].to_vec()) } else { Found::Unknown }
}

/// The bytes behind consistent overhead byte stuffing (Cheshire and Baker, IEEE/ACM Transactions on Networking, 1999).
fn unstuffed(frame: &[u8]) -> Option<Vec<u8>> {
    let (mut bytes, mut at) = (Vec::new(), 0);
    while at < frame.len() {
        let code = usize::from(frame[at]);
        bytes.extend(frame.get(at + 1..at + code)?);
        at += code;
        if code < 255 && at < frame.len() {
            bytes.push(0);
        }
    }
    Some(bytes)
}

fn read<'de, T: Deserialize<'de>>(body: &'de [u8]) -> Option<T> {
    match postcard::take_from_bytes(body) {
        Ok((message, [])) => Some(message),
        Ok(_) | Err(_) => None,
    }
}

/// Whether these bytes are a request. One that is means the same when it is written again.
fn is_request(body: &[u8]) -> bool {
    read::<Request<'_>>(body).is_some_and(|request| {
        let mut again = framed(&request);
        let length = again.len() - 1;
        assert_eq!(decode(&mut again[..length]), Ok(request), "another request than was written");
        true
    })
}

/// The same of a message.
fn is_message(body: &[u8]) -> bool {
    read::<Message<'_>>(body).is_some_and(|message| {
        let mut again = framed(&message);
        let length = again.len() - 1;
        assert_eq!(decode(&mut again[..length]), Ok(message), "another message than was written");
        true
    })
}

/// A serial line with so many bytes on it.
struct Line<'a>(&'a [u8]);

impl ErrorType for Line<'_> {
    type Error = ErrorKind;
}

impl ReadReady for Line<'_> {
    fn read_ready(&mut self) -> Result<bool, ErrorKind> {
        Ok(!self.0.is_empty())
    }
}

impl Read for Line<'_> {
    fn read(&mut self, into: &mut [u8]) -> Result<usize, ErrorKind> {
        let count = into.len().min(self.0.len());
        let (now, later) = self.0.split_at(count);
        into[..count].copy_from_slice(now);
        self.0 = later;
        Ok(count)
    }
}

fn controller_hears(line: &[u8]) {
    let frames = found(line, Listener::LONGEST, is_request);
    let good: Vec<&[u8]> = frames.iter().filter_map(|(_, found)| message_in(found)).collect();
    let (mut listener, mut serial) = (Listener::default(), Line(line));
    let mut heard = 0;
    while !serial.0.is_empty() {
        if let Some(Some(request)) = listener.hear(&mut serial) {
            let expected = good.get(heard).and_then(|body| read::<Request<'_>>(body));
            assert_eq!(Some(request), expected, "request {heard}");
            heard += 1;
        }
    }
    assert_eq!(heard, good.len(), "the controller heard other requests than were sent");
    assert_eq!(listener.dropped() as usize, frames.len() - good.len(), "frames that are not counted");
    // The last but one is for the controller.
    assert_eq!(good.last().and_then(|body| read(body)), Some(Request::Identify));
}

fn host_hears(line: &[u8], piece: usize) {
    let frames = found(line, HOST_LONGEST, is_message);
    let good: Vec<&[u8]> = frames.iter().filter_map(|(_, found)| message_in(found)).collect();
    let (mut reader, mut heard) = (Reader::default(), Vec::new());
    line.chunks(piece).for_each(|piece| reader.take(piece, |message| heard.push(message)));
    let expected: Vec<Heard> =
        good.iter().map(|body| read::<Message<'_>>(body).expect("it was read before").into()).collect();
    assert_eq!(heard, expected, "the host heard other messages than were sent");
    assert_eq!(heard.last(), Some(&Heard::Done));
    let count = |kind: fn(&Found) -> bool| frames.iter().filter(|(_, found)| kind(found)).count() as u64;
    let tally = reader.tally();
    assert_eq!(tally.bytes, line.len() as u64);
    assert_eq!((tally.good_frames, tally.doubled_frames), (good.len() as u64, 0));
    assert_eq!(tally.unknown_frames, count(|found| *found == Found::Unknown));
    // What comes first may be the end of a frame that began before.
    let is_remainder = frames.first().is_some_and(|(_, found)| *found == Found::Damaged);
    let damaged = count(|found| matches!(found, Found::Damaged | Found::TooLong));
    assert_eq!(tally.damaged_frames, damaged - u64::from(is_remainder));
    let lost: usize =
        frames.iter().filter(|(_, found)| message_in(found).is_none()).map(|(frame, _)| frame.len()).sum();
    assert_eq!(tally.lost_bytes, lost as u64);
}

fn message_in(found: &Found) -> Option<&[u8]> {
    if let Found::Good(body) = found { Some(body) } else { None }
}
