#![no_std]
//! The control core of Forewarm.
pub mod fault;
pub mod journal;
pub mod quantity;
pub mod rtd;
pub mod settings;
pub mod signals;
pub mod unit;
