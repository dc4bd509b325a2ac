//! Pure signal processing on slices of samples. Knows nothing of files, captures or roles.
