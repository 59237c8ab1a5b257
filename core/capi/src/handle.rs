//! Values of the core in memory that C owns, and pointers that C gives.
//!
//! Each handle's memory holds a mark before the value, so that a call on
//! memory that was never set up, or set up for another kind, or that is in use
//! by a call which this one interrupted, is told instead of followed.

use core::sync::atomic::{AtomicU32, Ordering, compiler_fence};

use crate::types::*;

pub(crate) type Refused = ohmsplit_status_t;

/// What can live behind a handle.
pub(crate) trait Content: Sized {
    /// The type that C declares for its memory.
    type Storage;
    /// Tells the kinds apart; any number that does not occur by chance.
    const MARK: u32;
    /// The value fits the memory on the target that this is compiled for.
    const FITS: () = assert!(
        Slot::<Self>::SIZE <= size_of::<Self::Storage>()
            && align_of::<Slot<Self>>() <= OHMSPLIT_ALIGNMENT
            && align_of::<Self::Storage>() == OHMSPLIT_ALIGNMENT,
        "the core has outgrown a size in types/handles.rs"
    );
}

/// The memory of a handle as this library uses it.
#[repr(C)]
pub(crate) struct Slot<T> {
    mark: AtomicU32,
    value: T,
}

impl<T: Content> Slot<T> {
    /// Bytes of the memory when none is wasted.
    pub(crate) const SIZE: usize = size_of::<Self>().next_multiple_of(OHMSPLIT_ALIGNMENT);

    pub(crate) const fn new(value: T) -> Self {
        Self {
            mark: AtomicU32::new(T::MARK),
            value,
        }
    }
}

/// Laid over the mark while a call has the value.
const IN_USE: u32 = 1 << 31;

/// The memory behind a handle.
fn slot<T: Content>(storage: *const T::Storage) -> Result<*mut Slot<T>, Refused> {
    const { T::FITS };
    let slot: *mut Slot<T> = storage.cast::<Slot<T>>().cast_mut();
    check(slot).map(|()| slot)
}

/// A pointer that can be followed as far as can be told.
fn check<T>(pointer: *const T) -> Result<(), Refused> {
    if pointer.is_null() {
        Err(Refused::OHMSPLIT_ERROR_NULL)
    } else if pointer.is_aligned() {
        Ok(())
    } else {
        Err(Refused::OHMSPLIT_ERROR_MISALIGNED)
    }
}

/// Where a value is to be put in `size` bytes, checked before the value is
/// made, so that bad memory does not lose it.
///
/// # Safety
/// The caller owns `size` bytes at `storage`, and nothing else uses them until
/// the value is put.
pub(crate) unsafe fn place<T: Content>(
    storage: *mut T::Storage,
    size: usize,
) -> Result<Output<Slot<T>>, Refused> {
    let slot = slot::<T>(storage)?;
    if size < size_of::<Slot<T>>() {
        return Err(Refused::OHMSPLIT_ERROR_SIZE);
    }
    Ok(Output(slot))
}

/// The mark of a handle.
///
/// # Safety
/// `slot` has passed the checks of [`slot`] and lies in memory of the handle's
/// type, which stays where it is during `'a`.
unsafe fn mark<'a, T>(slot: *mut Slot<T>) -> &'a AtomicU32 {
    // SAFETY: within the memory, by the caller's word; an integer, so that any
    // content is valid, and atomic, so that other calls may look at it too.
    unsafe { &(*slot).mark }
}

/// The value behind a handle that is only read.
///
/// # Safety
/// The memory is that of a handle, and nobody writes it during `'a`.
pub(crate) unsafe fn shared<'a, T: Content>(storage: *const T::Storage) -> Result<&'a T, Refused> {
    let slot = slot::<T>(storage)?;
    // SAFETY: checked by `slot`; the caller's word for the rest.
    if unsafe { mark(slot) }.load(Ordering::Relaxed) != T::MARK {
        return Err(Refused::OHMSPLIT_ERROR_NOT_INITIALISED);
    }
    // SAFETY: the mark says that `place` wrote a value there.
    Ok(unsafe { &(*slot).value })
}

/// Works on the value behind a handle.
///
/// The mark keeps a second call out that interrupts this one on the same core.
/// Between cores it need not, and the header forbids it.
///
/// # Safety
/// The memory is that of a handle, and no other core is in a call on it.
pub(crate) unsafe fn exclusive<T: Content, R>(
    storage: *mut T::Storage,
    work: impl FnOnce(&mut T) -> R,
) -> Result<R, Refused> {
    let slot = slot::<T>(storage)?;
    // SAFETY: checked by `slot`; the caller's word for the rest.
    let mark = unsafe { mark(slot) };
    match mark.load(Ordering::Relaxed) {
        found if found == T::MARK => {}
        found if found == T::MARK ^ IN_USE => return Err(Refused::OHMSPLIT_ERROR_IN_USE),
        _ => return Err(Refused::OHMSPLIT_ERROR_NOT_INITIALISED),
    }
    mark.store(T::MARK ^ IN_USE, Ordering::Relaxed);
    compiler_fence(Ordering::SeqCst);
    // SAFETY: the mark says that `place` wrote a value there, and keeps others out.
    let done = work(unsafe { &mut (*slot).value });
    compiler_fence(Ordering::SeqCst);
    mark.store(T::MARK, Ordering::Relaxed);
    Ok(done)
}

/// What C hands in: a struct of integers, of which any content is valid.
///
/// # Safety
/// `pointer` leads to a `T`, which nobody writes during `'a`.
pub(crate) unsafe fn input<'a, T: Plain>(pointer: *const T) -> Result<&'a T, Refused> {
    check(pointer)?;
    // SAFETY: not null, aligned; the caller's word for the rest.
    Ok(unsafe { &*pointer })
}

/// Where C wants an answer. Checked before the work is done, so that a bad
/// pointer does not lose the answer.
pub(crate) struct Output<T>(*mut T);

impl<T> Output<T> {
    /// # Safety
    /// `pointer` leads to memory for a `T` of the caller's, which nothing else
    /// uses during the call.
    pub(crate) unsafe fn new(pointer: *mut T) -> Result<Self, Refused> {
        check(pointer).map(|()| Self(pointer))
    }

    pub(crate) fn put(self, value: T) {
        // SAFETY: not null, aligned; the word given to `new` for the rest.
        unsafe { self.0.write(value) };
    }
}

impl<T: Content> Output<Slot<T>> {
    /// Ends the handle that may be there: a call on it from now on is told that
    /// there is none, until the value is put.
    pub(crate) fn clear(&self) {
        // The mark comes first.
        let mark = self.0.cast::<AtomicU32>();
        // SAFETY: not null, aligned; the word given to `place` for the rest.
        unsafe { mark.write(AtomicU32::new(0)) };
    }
}

/// Types of integers only: any content is valid.
pub(crate) trait Plain {}
impl Plain for ohmsplit_sample_t {}
impl Plain for ohmsplit_settings_t {}
impl Plain for ohmsplit_report_t {}
impl Plain for ohmsplit_rules_t {}
impl Plain for ohmsplit_answer_t {}
impl Plain for ohmsplit_point_t {}
/// Functions that C gives may be null, which is a value of theirs.
impl Plain for ohmsplit_pages_t {}
