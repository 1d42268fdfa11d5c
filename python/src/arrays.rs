//! NumPy arrays as samples, where they lie: neither copied nor changed.

use crate::errors::Fault;
use crestbook::recording::SampleArray;
use numpy::{PyArrayDescrMethods, PyUntypedArray, PyUntypedArrayMethods, dtype};
use pyo3::prelude::*;
use std::fmt::Debug;
use std::ops::Range;
use std::sync::Arc;

/// A number of an array.
trait Number: Copy + Send + Sync + 'static {
    /// Whether it is a code of a converter.
    const CODE: bool;
    fn widened(self) -> f64;
    fn bits(self) -> u64;
}

macro_rules! numbers {
    ($($float:ty),*; $($code:ty),*) => {
        $(impl Number for $float {
            const CODE: bool = false;
            fn widened(self) -> f64 { f64::from(self) }
            fn bits(self) -> u64 { u64::from(self.to_bits()) }
        })*
        $(impl Number for $code {
            const CODE: bool = true;
            #[allow(clippy::cast_lossless, clippy::cast_precision_loss)]
            fn widened(self) -> f64 { self as f64 }
            #[allow(clippy::cast_lossless, clippy::cast_sign_loss)]
            fn bits(self) -> u64 { self as u64 }
        })*
    };
}
numbers!(f64, f32; i8, i16, i32, i64, u8, u16, u32, u64);

/// One array.
struct Memory<T> {
    /// Keeps the memory alive.
    _owner: Py<PyAny>,
    data: *const u8,
    /// From one sample to the next, bytes.
    stride: isize,
    length: usize,
    kind: std::marker::PhantomData<T>,
}

// SAFETY: the memory lives as long as its owner, is only read, and every pattern of bits is a number. A
// thread that writes to it meanwhile can make numbers old or new, not invalid; `digest` finds that out.
unsafe impl<T: Number> Send for Memory<T> {}
// SAFETY: as above.
unsafe impl<T: Number> Sync for Memory<T> {}

impl<T: Number> Memory<T> {
    fn at(&self, k: usize) -> T {
        debug_assert!(k < self.length);
        // SAFETY: k is below the length, so the place lies in the array; the Python side hands over
        // aligned arrays only.
        unsafe { self.data.offset(self.stride * k.cast_signed()).cast::<T>().read() }
    }
}

impl<T: Number> SampleArray for Memory<T> {
    fn len(&self) -> usize {
        self.length
    }

    fn read(&self, range: Range<usize>, out: &mut Vec<f64>) {
        let range = range.start.min(self.length)..range.end.min(self.length);
        out.extend(range.map(|k| self.at(k).widened()));
    }

    fn holds_codes(&self) -> bool {
        T::CODE
    }
}

/// An array that can tell whether it was changed.
pub(crate) trait Held: SampleArray {
    /// A number that changes with any sample.
    fn digest(&self) -> u64;
}

impl<T: Number> Held for Memory<T> {
    fn digest(&self) -> u64 {
        const ODD: u64 = 0x9e37_79b9_7f4a_7c15;
        // Four sums, so that none waits for the other.
        let mut sums = [1_u64, 2, 3, 4];
        for k in 0..self.length {
            let sum = &mut sums[k % 4];
            *sum = sum.wrapping_mul(ODD).wrapping_add(self.at(k).bits());
        }
        sums.into_iter().fold(0, |all, sum| all.wrapping_mul(ODD) ^ sum)
    }
}

/// Both faces of one array.
#[derive(Clone)]
pub(crate) struct Array {
    pub(crate) samples: Arc<dyn SampleArray>,
    held: Arc<dyn Held>,
    before: u64,
}

impl Debug for Array {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Array").field("samples", &self.samples.len()).finish_non_exhaustive()
    }
}

impl Array {
    /// Takes a one-dimensional, aligned array of native numbers.
    pub(crate) fn of(array: &Bound<'_, PyUntypedArray>) -> Result<Self, Fault> {
        macro_rules! by_type {
            ($($number:ty),*) => {
                $(if array.dtype().is_equiv_to(&dtype::<$number>(array.py())) {
                    return Ok(Self::typed::<$number>(array));
                })*
            };
        }
        if array.ndim() != 1 {
            return Err(Fault::of_use(
                format!("an array of {} dimensions", array.ndim()),
                "give one row of samples for each channel",
            ));
        }
        by_type!(f64, f32, i16, i32, i8, i64, u8, u16, u32, u64);
        Err(Fault::of_use(
            format!("an array of {}", array.dtype()),
            "give real numbers: float32, float64 or integer codes",
        ))
    }

    fn typed<T: Number>(array: &Bound<'_, PyUntypedArray>) -> Self {
        // SAFETY: the pointer is that of a live array object.
        let data = unsafe { (*array.as_array_ptr()).fields.data };
        let memory = Arc::new(Memory::<T> {
            _owner: array.as_any().clone().unbind(),
            data: data.cast::<u8>().cast_const(),
            stride: array.strides().first().copied().unwrap_or(0),
            length: array.len(),
            kind: std::marker::PhantomData,
        });
        let before = memory.digest();
        Self { samples: Arc::clone(&memory) as Arc<dyn SampleArray>, held: memory, before }
    }

    /// Whether its samples are those it began with.
    pub(crate) fn rests(&self) -> bool {
        self.held.digest() == self.before
    }
}
