//! Which wire goes where: the pin table of the board of modules.
//!
//! The program of the board takes its pins from [`rp2040_wires`](crate::rp2040_wires), and its page takes the table and the drawing from
//! [`RP2040`]. Both are the same rows, so neither can differ from the other.

/// A pin, and what is wired to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Wire {
    /// Its number, as printed on the module: GP10 is 10.
    pub gp: u8,
    /// Its name in the program.
    pub name: &'static str,
    /// What hangs on it.
    pub to: To,
    /// What it carries, in words.
    pub what: &'static str,
    /// How it is wired.
    pub how: &'static str,
}

/// What hangs on a pin.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum To {
    /// The adapter of the service line.
    Service,
    /// The bus to the converter modules.
    Bus,
    /// The select pin of one converter module.
    Select,
    /// A relay, or something else that it drives.
    Driver,
    /// An opto-coupler: high while its statement is true.
    Opto,
    /// A voltage, by a divider.
    Divider,
    /// A button, a bridge or a lamp beside the module.
    Beside,
}

/// The wires of the board of modules, by pin.
pub const RP2040: &[Wire] = crate::rp2040_wires!(list);

/// The bit of the pin with this name in [`RP2040`], for a place that cannot have the pin itself.
///
/// # Panics
/// If there is none; at compile time, where the name is a constant.
#[must_use]
pub const fn rp2040_bit(name: &str) -> u32 {
    let mut at = 0;
    while at < RP2040.len() {
        if is_same(RP2040[at].name.as_bytes(), name.as_bytes()) {
            return 1 << RP2040[at].gp;
        }
        at += 1;
    }
    panic!("no wire of this name")
}

const fn is_same(one: &[u8], other: &[u8]) -> bool {
    let mut at = 0;
    while at < one.len() && at < other.len() && one[at] == other[at] {
        at += 1;
    }
    at == one.len() && at == other.len()
}

/// The rows of [`RP2040`]. With `list` a slice of [`Wire`]; with `pins` and the path of a macro, its call with
/// `Gpio0 { name: service_out }, ...` for each.
#[macro_export]
macro_rules! rp2040_wires {
    ($($form:tt)+) => {
        $crate::rp2040_wires_as! { [$($form)+]
            0 Gpio0 service_out Service "service line, out" "to the adapter's RX, 3.3 V";
            1 Gpio1 service_in Service "service line, in" "to the adapter's TX, 3.3 V";
            2 Gpio2 bus_clock Bus "bus, clock" "to CLK of every converter module";
            3 Gpio3 bus_out Bus "bus, out" "to SDI of every converter module";
            4 Gpio4 bus_in Bus "bus, in" "to SDO of every converter module";
            5 Gpio5 select_0 Select "select of channel 0" "to CS of that converter module";
            6 Gpio6 select_1 Select "select of channel 1" "to CS of that converter module";
            7 Gpio7 select_2 Select "select of channel 2" "to CS of that converter module";
            8 Gpio8 select_3 Select "select of channel 3" "to CS of that converter module";
            9 Gpio9 ceiling Driver "charge-current ceiling" "pulses of 1 kHz; their width is the ceiling, the whole period 1 C";
            10 Gpio10 heater_relay Driver "heater relay" "relay driver that rests off; high closes";
            11 Gpio11 charge_relay Driver "charge permit relay" "relay driver that rests off; high closes";
            12 Gpio12 full_relay Driver "full charge permit relay" "relay driver that rests off; only for a charger in two steps";
            13 Gpio13 alarm Driver "alarm" "relay driver, or a buzzer with one";
            14 Gpio14 heater_contact Opto "contact of the heater relay" "high while closed";
            15 Gpio15 charge_contact Opto "contact of the charge relay" "high while closed";
            16 Gpio16 source_0 Opto "source 0" "high while present";
            17 Gpio17 source_1 Opto "source 1" "high while present";
            18 Gpio18 source_2 Opto "source 2" "high while present";
            19 Gpio19 source_3 Opto "source 3" "high while present";
            20 Gpio20 charge_line Opto "protection allows charge" "high while allowed";
            21 Gpio21 discharge_line Opto "protection allows discharge" "high while allowed";
            22 Gpio22 button Beside "button" "to ground; low while held";
            25 Gpio25 lamp Beside "lamp" "on the module itself; high lights it";
            26 Gpio26 supply Divider "heater supply" "100 kΩ above, 10 kΩ and 100 nF to ground";
            27 Gpio27 bank Divider "bank" "100 kΩ above, 10 kΩ and 100 nF to ground";
            28 Gpio28 contacts Beside "which contacts are fitted" "bridge to 3.3 V: both; to ground: the heater relay's alone; none: neither";
        }
    };
}

/// What [`rp2040_wires`](crate::rp2040_wires) becomes.
#[doc(hidden)]
#[macro_export]
macro_rules! rp2040_wires_as {
    ([list] $($gp:literal $Gpio:ident $name:ident $to:ident $what:literal $how:literal;)+) => {
        &[$($crate::wiring::Wire { gp: $gp, name: stringify!($name), to: $crate::wiring::To::$to, what: $what, how: $how }),+]
    };
    ([pins $($macro:ident)::+] $($gp:literal $Gpio:ident $name:ident $to:ident $what:literal $how:literal;)+) => {
        $($macro)::+! { $($Gpio { name: $name }),+ }
    };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_pin_has_two_wires_and_each_is_one_that_the_module_has() {
        // A module of the usual kind keeps 23, 24 and 29 to itself, and has its lamp on 25.
        for (at, wire) in RP2040.iter().enumerate() {
            assert!(wire.gp <= 28 && ![23, 24].contains(&wire.gp), "{wire:?}");
            assert!(RP2040[..at].iter().all(|other| other.gp < wire.gp && other.name != wire.name), "{wire:?}");
        }
        assert_eq!(rp2040_bit("heater_relay"), 1 << 10);
    }
}
