//! How a file is carried to a server: in chunks of one size, one after the other, from where the server says it has it.
//!
//! Promises: both sides decide from the same two numbers, how long the file is and how much of it the server has. A chunk that
//! comes again changes nothing; one that comes too early is told where to go on. The hash is compared at the end.

use crate::limits::FILE_CHUNK_BYTES;
use std::ops::Range;

/// What a server does with a chunk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Chunk {
    /// It has it: the reply was lost.
    Held,
    /// It is the next one.
    Next {
        /// With it the file is whole.
        last: bool,
    },
    /// Something is missing before it.
    Early,
    /// It is no chunk of a file of this length.
    Misshapen,
}

/// The bytes to send next of a file of `bytes`, where the server has `received`; none once it has all.
#[must_use]
pub fn chunk_at(bytes: u64, received: u64) -> Option<Range<u64>> {
    (received < bytes).then(|| received..bytes.min(received.saturating_add(FILE_CHUNK_BYTES)))
}

/// Judges a chunk of `length` bytes at `offset` of a file of `bytes`, of which `received` are there.
#[must_use]
pub fn judge_chunk(bytes: u64, received: u64, offset: u64, length: u64) -> Chunk {
    let begins_one = offset.is_multiple_of(FILE_CHUNK_BYTES);
    if !begins_one || chunk_at(bytes, offset).is_none_or(|chunk| chunk.end - chunk.start != length) {
        return Chunk::Misshapen;
    }
    match offset.cmp(&received) {
        std::cmp::Ordering::Less => Chunk::Held,
        std::cmp::Ordering::Equal => Chunk::Next { last: offset + length == bytes },
        std::cmp::Ordering::Greater => Chunk::Early,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const C: u64 = FILE_CHUNK_BYTES;

    #[test]
    fn a_file_comes_whole_through_any_repetition() {
        for bytes in [1, C - 1, C, C + 1, 3 * C, 3 * C + 7] {
            let mut received = 0;
            let mut sent = Vec::new();
            while let Some(chunk) = chunk_at(bytes, received) {
                let length = chunk.end - chunk.start;
                let last = chunk.end == bytes;
                assert_eq!(judge_chunk(bytes, received, chunk.start, length), Chunk::Next { last });
                received = chunk.end;
                // The same again, as after a lost reply.
                assert_eq!(judge_chunk(bytes, received, chunk.start, length), Chunk::Held);
                sent.push(chunk);
            }
            assert_eq!(received, bytes);
            assert!(sent.windows(2).all(|pair| pair[0].end == pair[1].start), "{sent:?}");
        }
    }

    #[test]
    fn what_is_no_chunk_is_said() {
        assert_eq!(judge_chunk(3 * C, C, 2 * C, C), Chunk::Early);
        for (offset, length) in
            [(1, C), (0, C - 1), (0, 0), (0, C + 1), (3 * C, 1), (3 * C, 0), (u64::MAX, 1), (2 * C, C - 1)]
        {
            assert_eq!(judge_chunk(3 * C, 0, offset, length), Chunk::Misshapen, "{offset} {length}");
        }
        assert_eq!(judge_chunk(C + 7, C, C, 7), Chunk::Next { last: true });
        assert_eq!(judge_chunk(C + 7, C, C, 8), Chunk::Misshapen);
    }
}
