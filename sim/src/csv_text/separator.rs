//! Finds what separates the cells of a CSV text, from its beginning.

use super::records::{Records, separator_line};

/// The signs to look for.
const SIGNS: [u8; 3] = [b';', b'\t', b','];

/// Rows below the header that must agree with it.
const ROWS: usize = 200;

/// The name of the sign in a message and in an option.
pub(crate) fn named(sign: u8) -> String {
    match sign {
        b'\t' => "tab".to_owned(),
        sign => format!("'{}'", char::from(sign)),
    }
}

/// What separates the cells of a text that begins with `head`. A comma if nothing shows it.
///
/// # Errors
/// The signs that fit equally well.
pub(crate) fn find(head: &[u8]) -> Result<u8, Vec<u8>> {
    let first = head.split(|&byte| byte == b'\n').find(|line| !line.starts_with(b"#") && !line.trim_ascii().is_empty());
    if let Some(sign) = first.and_then(separator_line) {
        return Ok(sign);
    }
    // For each sign in the header: how many cells it makes, and whether the rows have as many.
    let fits: Vec<_> = SIGNS.into_iter().filter_map(|sign| cells(head, sign).map(|fit| (sign, fit))).collect();
    let agree: Vec<_> = fits.iter().filter(|(_, (_, agrees))| *agrees).collect();
    let candidates = if agree.is_empty() { fits.iter().collect() } else { agree };
    let most = candidates.iter().map(|(_, (cells, _))| *cells).max();
    let best: Vec<u8> =
        candidates.into_iter().filter(|(_, (cells, _))| Some(*cells) == most).map(|(sign, _)| *sign).collect();
    match best[..] {
        [] => Ok(b','),
        [only] => Ok(only),
        _ => Err(best),
    }
}

/// How many cells `sign` makes of the header, if more than one, and whether the rows have as many.
fn cells(head: &[u8], sign: u8) -> Option<(usize, bool)> {
    let mut records = Records::new(head, sign);
    let (_, header) = records.next_record().ok()??;
    let width = header.filter(|header| header.len() > 1)?.len();
    for _ in 0..ROWS {
        match records.next_record() {
            Ok(Some((_, Some(record)))) if record.len() == width => {}
            Ok(None) => break,
            _ => return Some((width, false)),
        }
    }
    Some((width, true))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sign_that_gives_every_row_as_many_cells_as_the_header_is_taken() {
        for (head, sign) in [
            ("t,a,b\n1,2,3\n", b','),
            ("t;a;b\n1;2,5;3,5\n", b';'),
            ("t\ta\n1\t2,5\n", b'\t'),
            ("t;a [x, y];b\n1;2,5;3\n", b';'),
            ("t,cell [a;b],x\n1,2,3\n", b','),
            ("# a,b,c\n\nt;a\n1;2\n", b';'),
            ("\"t;a\",b\n1,2\n", b','),
            ("sep=;\nt;a,b\n1;2\n", b';'),
            ("sep=\t\r\nt\ta,b\n1\t2\n", b'\t'),
            ("t\n1\n", b','),
            ("", b','),
        ] {
            assert_eq!(find(head.as_bytes()), Ok(sign), "{head:?}");
        }
    }

    #[test]
    fn signs_that_fit_equally_well_are_not_chosen_between() {
        assert_eq!(find(b"t;a,b\n1;2,5\n"), Err(vec![b';', b',']));
    }
}
