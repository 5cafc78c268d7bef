// Dense parts of a sparse factor: panels of columns, worked in small blocks that stay in registers.
#pragma once

#include "align/vectors.h"

namespace rebite::align {

// All matrices column by column, `stride` doubles from one column to the next. Only what lies on or
// below the diagonal of the leading square is read; what lies above it may be overwritten.
//
// Every entry is one sum in one order: neither the number of threads nor the width of the
// processor's vectors (four doubles where it has AVX2, else two) changes a bit of a result.

// Cholesky factor of the leading columns x columns of a rows x columns panel, and the rows below
// it times its inverse transpose, in place (right-looking by blocks: Golub and Van Loan, Matrix
// Computations, section 4.2). False: not positive definite.
bool factor_panel(
    double* panel, int rows, int columns, int threads, Vectors vectors = Vectors::widest);

// c -= a a^T for an n x n lower triangle c and n x k a.
void subtract_square(double* c,
                     int c_stride,
                     const double* a,
                     int a_stride,
                     int n,
                     int k,
                     int threads,
                     Vectors vectors = Vectors::widest);

}  // namespace rebite::align
