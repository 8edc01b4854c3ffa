//! Reads what is written in a cell.

/// A field as a number. NaN and infinities are included, so that the caller can refuse them by name.
pub(crate) fn number(field: &[u8]) -> Option<f64> {
    std::str::from_utf8(field).ok()?.parse().ok()
}

/// Whether the field looks like a date of any form: a number, and two more after the same sign.
pub(crate) fn is_date(field: &[u8]) -> bool {
    let text = String::from_utf8_lossy(field);
    ['/', '.', '-'].into_iter().any(|sign| {
        let day = text.split([' ', 'T']).next().unwrap_or_default();
        let parts: Vec<_> = day.split(sign).collect();
        parts.len() == 3 && parts.iter().all(|part| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_digit()))
    })
}

/// The field with a point for its comma, if that makes it a number.
pub(crate) fn with_point(field: &[u8]) -> Option<String> {
    let text = std::str::from_utf8(field).ok().filter(|text| text.contains(','))?.replacen(',', ".", 1);
    number(text.as_bytes()).map(|_| text)
}

/// A flag as loggers write it.
pub(crate) fn flag(field: &[u8]) -> Option<bool> {
    match field {
        b"0" => Some(false),
        b"1" => Some(true),
        _ if [&b"false"[..], b"off", b"no"].iter().any(|word| field.eq_ignore_ascii_case(word)) => Some(false),
        _ if [&b"true"[..], b"on", b"yes"].iter().any(|word| field.eq_ignore_ascii_case(word)) => Some(true),
        _ => None,
    }
}
