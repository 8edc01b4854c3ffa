//! Results for machines: JSON in lines, the same bytes wherever it is written.

use serde::Serialize;
use serde_json::Serializer;
use serde_json::ser::{Formatter, PrettyFormatter};
use std::io::{self, Write};

/// Writes `value` in lines, each level further in.
///
/// # Errors
/// The errors of `out`, and a map whose keys are no texts.
pub fn write(out: impl Write, value: &impl Serialize) -> serde_json::Result<()> {
    value.serialize(&mut Serializer::with_formatter(out, Lines::default()))
}

/// Lines without a negative zero. Which of 0 and −0 is the larger of the two, processors answer differently.
#[derive(Default)]
struct Lines(PrettyFormatter<'static>);

impl Formatter for Lines {
    fn write_f64<W: Write + ?Sized>(&mut self, out: &mut W, value: f64) -> io::Result<()> {
        self.0.write_f64(out, value + 0.0)
    }

    fn write_f32<W: Write + ?Sized>(&mut self, out: &mut W, value: f32) -> io::Result<()> {
        self.0.write_f32(out, value + 0.0)
    }

    fn begin_array<W: Write + ?Sized>(&mut self, out: &mut W) -> io::Result<()> {
        self.0.begin_array(out)
    }

    fn end_array<W: Write + ?Sized>(&mut self, out: &mut W) -> io::Result<()> {
        self.0.end_array(out)
    }

    fn begin_array_value<W: Write + ?Sized>(&mut self, out: &mut W, is_first: bool) -> io::Result<()> {
        self.0.begin_array_value(out, is_first)
    }

    fn end_array_value<W: Write + ?Sized>(&mut self, out: &mut W) -> io::Result<()> {
        self.0.end_array_value(out)
    }

    fn begin_object<W: Write + ?Sized>(&mut self, out: &mut W) -> io::Result<()> {
        self.0.begin_object(out)
    }

    fn end_object<W: Write + ?Sized>(&mut self, out: &mut W) -> io::Result<()> {
        self.0.end_object(out)
    }

    fn begin_object_key<W: Write + ?Sized>(&mut self, out: &mut W, is_first: bool) -> io::Result<()> {
        self.0.begin_object_key(out, is_first)
    }

    fn begin_object_value<W: Write + ?Sized>(&mut self, out: &mut W) -> io::Result<()> {
        self.0.begin_object_value(out)
    }

    fn end_object_value<W: Write + ?Sized>(&mut self, out: &mut W) -> io::Result<()> {
        self.0.end_object_value(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    fn written(value: &impl Serialize) -> String {
        let mut bytes = Vec::new();
        write(&mut bytes, value).expect("memory");
        String::from_utf8(bytes).expect("UTF-8")
    }

    #[test]
    fn it_is_what_the_library_writes_in_lines() {
        let value = json!({ "a": [1, 2.5, -3], "b": {}, "c": [], "d": { "e": [null, true, "é\n"] }, "f": 1e300 });
        assert_eq!(written(&value), serde_json::to_string_pretty(&value).expect("JSON"));
    }

    #[test]
    fn no_zero_is_negative() {
        assert_eq!(written(&(-0.0_f64, 0.0_f64, -0.0_f32, f64::NAN)), written(&(0.0, 0.0, 0.0_f32, Value::Null)));
    }
}
