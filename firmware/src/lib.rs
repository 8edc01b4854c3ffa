//! Firmware.
#![no_std]
