//! The same arithmetic on many neighbouring numbers, compiled for each width of vectors a processor may have and
//! chosen when it runs.
//!
//! Nothing is contracted or reordered for it, so the results are the same bits at any width.

pub use pulp::Simd;

/// A loop that gains from wide vectors.
///
/// `run` has to carry `#[inline(always)]`: only what is compiled into the place that calls it becomes wide. Closures and
/// functions that take them (`array::from_fn`, `map` on arrays) may stay outside.
pub trait Kernel {
    /// What comes out.
    type Output;

    /// Does the work.
    fn run(self) -> Self::Output;
}

/// Runs a kernel with the widest vectors that this processor has.
pub fn widest<K: Kernel>(kernel: K) -> K::Output {
    pulp::Arch::new().dispatch(Widened(kernel))
}

struct Widened<K>(K);

impl<K: Kernel> pulp::WithSimd for Widened<K> {
    type Output = K::Output;

    #[inline(always)]
    fn with_simd<S: Simd>(self, _: S) -> K::Output {
        self.0.run()
    }
}

/// A loop that is written in vectors, because the compiler would not find them by itself.
///
/// `run` has to carry `#[inline(always)]`, and so has everything that it calls.
pub trait VectorKernel {
    /// Does the work with the vectors that `simd` stands for.
    fn run<S: Simd>(self, simd: S);
}

/// Runs such a kernel with the widest vectors that this processor has.
pub fn in_vectors<K: VectorKernel>(kernel: K) {
    pulp::Arch::new().dispatch(InVectors(kernel));
}

struct InVectors<K>(K);

impl<K: VectorKernel> pulp::WithSimd for InVectors<K> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        self.0.run(simd);
    }
}

/// The numbers of a buffer from the first place on that vectors can be loaded from without crossing lines of the cache.
///
/// The buffer grows where it is too short.
pub fn aligned(buffer: &mut Vec<f64>, count: usize) -> &mut [f64] {
    const LINE: usize = 64;
    const SLACK: usize = LINE / size_of::<f64>();
    if buffer.len() < count + SLACK {
        buffer.resize(count + SLACK, 0.0);
    }
    let start = buffer.as_ptr().align_offset(LINE).min(SLACK);
    &mut buffer[start..start + count]
}

/// Some neighbouring numbers with the operators of arithmetic.
#[derive(Debug, Clone, Copy)]
pub struct Vector<S: Simd> {
    simd: S,
    values: S::f64s,
}

impl<S: Simd> Vector<S> {
    /// The same number in all places.
    #[inline(always)]
    pub fn all(simd: S, value: f64) -> Self {
        Self { simd, values: simd.splat_f64s(value) }
    }

    /// Takes values.
    #[inline(always)]
    pub fn new(simd: S, values: S::f64s) -> Self {
        Self { simd, values }
    }

    /// The values.
    #[inline(always)]
    pub fn values(self) -> S::f64s {
        self.values
    }

    /// The same number in all places, for the same width.
    #[inline(always)]
    pub fn like(self, value: f64) -> Self {
        Self::all(self.simd, value)
    }

    /// The square roots.
    #[inline(always)]
    pub fn sqrt(self) -> Self {
        Self::new(self.simd, self.simd.sqrt_f64s(self.values))
    }

    /// The larger ones, none of them a NaN.
    #[inline(always)]
    pub fn larger(self, other: Self) -> Self {
        Self::new(self.simd, self.simd.max_f64s(self.values, other.values))
    }

    /// The smaller ones, none of them a NaN.
    #[inline(always)]
    pub fn smaller(self, other: Self) -> Self {
        Self::new(self.simd, self.simd.min_f64s(self.values, other.values))
    }

    /// `then` where this is below a limit, `otherwise` elsewhere.
    #[inline(always)]
    pub fn where_below(self, limit: Self, then: Self, otherwise: Self) -> Self {
        let mask = self.simd.less_than_f64s(self.values, limit.values);
        Self::new(self.simd, self.simd.select_f64s(mask, then.values, otherwise.values))
    }
}

macro_rules! operator {
    ($operator:ident, $name:ident, $of_vectors:ident) => {
        impl<S: Simd> std::ops::$operator for Vector<S> {
            type Output = Self;

            #[inline(always)]
            fn $name(self, other: Self) -> Self {
                Self::new(self.simd, self.simd.$of_vectors(self.values, other.values))
            }
        }
    };
}

operator!(Add, add, add_f64s);
operator!(Sub, sub, sub_f64s);
operator!(Mul, mul, mul_f64s);
operator!(Div, div, div_f64s);

/// One number as a vector, for arithmetic that is written in vectors.
pub fn single(value: f64) -> Vector<pulp::Scalar> {
    Vector::new(pulp::Scalar, value)
}
