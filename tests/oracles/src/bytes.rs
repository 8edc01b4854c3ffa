//! Numbers out of bytes, first come first served. After the last byte comes zero for ever.

/// What is left of the bytes.
pub(crate) struct Bytes<'a>(pub(crate) &'a [u8]);

impl<'a> Bytes<'a> {
    pub(crate) const fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    pub(crate) fn array<const N: usize>(&mut self) -> [u8; N] {
        let mut array = [0; N];
        let bytes = self.slice(N);
        array[..bytes.len()].copy_from_slice(bytes);
        array
    }

    pub(crate) fn byte(&mut self) -> u8 {
        self.array::<1>()[0]
    }

    pub(crate) fn u16(&mut self) -> u16 {
        u16::from_le_bytes(self.array())
    }

    pub(crate) fn u32(&mut self) -> u32 {
        u32::from_le_bytes(self.array())
    }

    pub(crate) fn u64(&mut self) -> u64 {
        u64::from_le_bytes(self.array())
    }

    /// As many as there are, up to `most`.
    pub(crate) fn slice(&mut self, most: usize) -> &'a [u8] {
        let (taken, left) = self.0.split_at(most.min(self.0.len()));
        self.0 = left;
        taken
    }
}
