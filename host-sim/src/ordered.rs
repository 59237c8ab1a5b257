//! Work on many numbered pieces with several threads, results taken in order.

use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::ops::Range;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc;

use crate::error::HostError;

/// Works on the pieces of a range, several at a time; `take` gets the results
/// in the order of the pieces, whatever the number of threads. Ends early, with
/// what was taken so far, once `stop` is set.
///
/// # Errors
/// The first of `work` in the order of the pieces, or of `take`.
pub fn in_order<T: Send>(
    pieces: Range<usize>,
    threads: NonZeroUsize,
    stop: &AtomicBool,
    work: impl Fn(usize) -> Result<T, HostError> + Sync,
    mut take: impl FnMut(T) -> Result<(), HostError>,
) -> Result<(), HostError> {
    let next = AtomicUsize::new(pieces.start);
    let (sender, receiver) = mpsc::channel();
    std::thread::scope(|scope| {
        for _ in 0..threads.get() {
            let (sender, next, work) = (sender.clone(), &next, &work);
            scope.spawn(move || {
                while !stop.load(Ordering::Relaxed) {
                    let piece = next.fetch_add(1, Ordering::Relaxed);
                    // Nobody listens any more when a result could not be taken.
                    if piece >= pieces.end || sender.send((piece, work(piece))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(sender);
        let mut early = BTreeMap::new();
        let mut due = pieces.start;
        for (piece, result) in receiver {
            early.insert(piece, result);
            while let Some(result) = early.remove(&due) {
                take(result?)?;
                due += 1;
            }
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn threads(count: usize) -> NonZeroUsize {
        NonZeroUsize::new(count).expect("not zero")
    }

    #[test]
    fn results_come_in_order_whatever_the_number_of_threads() {
        for count in [1, 2, 7] {
            let mut taken = Vec::new();
            let stop = AtomicBool::new(false);
            let slow_first = |piece: usize| {
                std::thread::sleep(std::time::Duration::from_micros(200 * (piece as u64 % 3)));
                Ok(piece)
            };
            in_order(5..40, threads(count), &stop, slow_first, |piece| {
                taken.push(piece);
                Ok(())
            })
            .expect("no error");
            assert_eq!(taken, (5..40).collect::<Vec<_>>());
        }
    }

    #[test]
    fn an_error_ends_it_and_so_does_a_stop() {
        let stop = AtomicBool::new(false);
        let failing = |piece| {
            if piece == 3 {
                Err(HostError::input("three"))
            } else {
                Ok(piece)
            }
        };
        let mut taken = Vec::new();
        let error = in_order(0..100, threads(4), &stop, failing, |piece| {
            taken.push(piece);
            Ok(())
        });
        assert!(error.is_err());
        assert_eq!(taken, [0, 1, 2]);
        let mut taken = 0;
        let stopping = |piece| {
            stop.fetch_or(piece == 10, Ordering::Relaxed);
            Ok(piece)
        };
        in_order(0..1_000_000, threads(2), &stop, stopping, |_| {
            taken += 1;
            Ok(())
        })
        .expect("no error");
        assert!((10..1000).contains(&taken), "{taken}");
    }
}
