//! The log: `defmt`, if the board has a sink for it.

macro_rules! info {
    ($text:literal $(, $value:expr)* $(,)?) => {{
        #[cfg(feature = "defmt")]
        defmt::info!($text $(, $value)*);
        #[cfg(not(feature = "defmt"))]
        let _ = ($(&$value,)*);
    }};
}

macro_rules! warning {
    ($text:literal $(, $value:expr)* $(,)?) => {{
        #[cfg(feature = "defmt")]
        defmt::warn!($text $(, $value)*);
        #[cfg(not(feature = "defmt"))]
        let _ = ($(&$value,)*);
    }};
}

pub(crate) use {info, warning};
