//! The emulator's own two lines: one to command it (QMP, the QEMU machine protocol), one to read and write the processor's memory
//! beside the running program (the qtest protocol).

use super::line::Trouble;
use super::patience::Patience;
use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, ErrorKind, Write};
use std::os::unix::net::UnixStream;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Lines of text each way.
#[derive(Debug)]
struct Text {
    stream: BufReader<UnixStream>,
    patience: Patience,
}

impl Text {
    fn new(stream: UnixStream, patience: Patience) -> Result<Self, Trouble> {
        stream.set_read_timeout(Some(patience.begin().turn())).map_err(Trouble::Line)?;
        Ok(Self { stream: BufReader::new(stream), patience })
    }

    fn say(&mut self, text: &str) -> Result<(), Trouble> {
        self.stream.get_mut().write_all(format!("{text}\n").as_bytes()).map_err(Trouble::Line)
    }

    fn hear(&mut self, awaited: &'static str) -> Result<String, Trouble> {
        let mut text = Vec::new();
        let mut wait = self.patience.begin();
        loop {
            match self.stream.read_until(b'\n', &mut text) {
                Ok(_) if text.is_empty() => return Err(Trouble::Closed { awaited }),
                Ok(_) => return Ok(String::from_utf8_lossy(&text).into_owned()),
                Err(error) => match error.kind() {
                    // The part of a line that has arrived is kept.
                    ErrorKind::WouldBlock | ErrorKind::TimedOut if wait.is_over() => {
                        return Err(Trouble::Silent { awaited, patience: self.patience.limit() });
                    }
                    ErrorKind::WouldBlock | ErrorKind::TimedOut => {}
                    _ => return Err(Trouble::Line(error)),
                },
            }
        }
    }
}

/// Commands to the emulator.
#[derive(Debug)]
pub struct Monitor(Text);

impl Monitor {
    /// Exchanges greetings over `stream`.
    ///
    /// # Errors
    /// Each [`Trouble`] but those of frames.
    pub(super) fn new(stream: UnixStream, patience: Patience) -> Result<Self, Trouble> {
        let mut text = Text::new(stream, patience)?;
        text.hear("the emulator's greeting")?;
        let mut monitor = Self(text);
        monitor.execute("qmp_capabilities")?;
        Ok(monitor)
    }

    /// Resets the processor, as its reset pin does. What is in its memory stays.
    ///
    /// # Errors
    /// Each [`Trouble`] but those of frames.
    pub fn reset(&mut self) -> Result<(), Trouble> {
        self.execute("system_reset").map(drop)
    }

    /// Makes the emulator stop for good where the processor would restart. Its memory then stays as the program left
    /// it.
    ///
    /// # Errors
    /// Each [`Trouble`] but those of frames.
    pub fn hold_at_restart(&mut self) -> Result<(), Trouble> {
        let action = json!({ "reboot": "shutdown", "shutdown": "pause" });
        self.request(&json!({ "execute": "set-action", "arguments": action })).map(drop)
    }

    /// Makes the emulator execute a command without arguments, and hands over the result.
    ///
    /// # Errors
    /// Each [`Trouble`] but those of frames.
    pub fn execute(&mut self, command: &str) -> Result<Value, Trouble> {
        self.request(&json!({ "execute": command }))
    }

    fn request(&mut self, request: &Value) -> Result<Value, Trouble> {
        self.0.say(&request.to_string())?;
        loop {
            let said = self.0.hear("the emulator's answer to a command")?;
            let mut message: Value = serde_json::from_str(&said).unwrap_or_default();
            if let Some(returned) = message.get_mut("return") {
                return Ok(returned.take());
            }
            // Events may come in between.
            if message.get("event").is_none() {
                return Err(Trouble::Unexpected { said, awaited: "the emulator's answer to a command" });
            }
        }
    }
}

/// The processor's memory and registers, from outside and while the program runs. All clones share one line.
#[derive(Clone, Debug)]
pub struct Probe(Arc<Mutex<Text>>);

impl Probe {
    pub(super) fn new(stream: UnixStream, patience: Patience) -> Result<Self, Trouble> {
        Text::new(stream, patience).map(|text| Self(Arc::new(Mutex::new(text))))
    }

    /// The word at `address`.
    ///
    /// # Errors
    /// Each [`Trouble`] but those of frames.
    pub fn read(&self, address: u32) -> Result<u32, Trouble> {
        const AWAITED: &str = "a word of memory";
        let mut text = self.text();
        text.say(&format!("readl {address:#x}"))?;
        let said = answer(&mut text, AWAITED)?;
        let value = said.strip_prefix("OK 0x").and_then(|hex| u64::from_str_radix(hex.trim(), 16).ok());
        value.and_then(|value| u32::try_from(value).ok()).ok_or(Trouble::Unexpected { said, awaited: AWAITED })
    }

    /// Writes to memory at each address, in this order. Skips an address without bytes.
    ///
    /// # Errors
    /// As [`Probe::read`].
    pub fn write<const N: usize>(&self, writes: [(u32, &[u8]); N]) -> Result<(), Trouble> {
        const AWAITED: &str = "memory to be written";
        let writes = writes.into_iter().filter(|(_, bytes)| !bytes.is_empty());
        // All are sent at once. The emulator answers each, even if nobody has read the answers before.
        let commands: Vec<String> = writes
            .map(|(address, bytes)| format!("b64write {address:#x} {:#x} {}", bytes.len(), BASE64.encode(bytes)))
            .collect();
        let mut text = self.text();
        text.say(&commands.join("\n"))?;
        for _ in commands {
            let said = answer(&mut text, AWAITED)?;
            if said.trim_end() != "OK" {
                return Err(Trouble::Unexpected { said, awaited: AWAITED });
            }
        }
        Ok(())
    }

    fn text(&self) -> MutexGuard<'_, Text> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The answer to a command. Interrupt lines come unasked and are skipped.
fn answer(text: &mut Text, awaited: &'static str) -> Result<String, Trouble> {
    loop {
        let said = text.hear(awaited)?;
        if !said.starts_with("IRQ") {
            return Ok(said);
        }
    }
}
