//! Random numbers: one seed, one stream for each concern, so that adding a
//! disturbance leaves the draws of all others as they were. The generator is
//! ChaCha with 8 rounds, the same on every platform.

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;

/// What a stream is for; its number is the stream's.
#[derive(Debug, Clone, Copy)]
pub(super) enum Concern {
    FirstChannelNoise = 1,
    SecondChannelNoise = 2,
    Phases = 3,
    Parts = 4,
}

/// The stream of a concern.
pub(super) fn stream(seed: u64, concern: Concern) -> ChaCha8Rng {
    let mut generator = ChaCha8Rng::seed_from_u64(seed);
    generator.set_stream(concern as u64);
    generator
}
