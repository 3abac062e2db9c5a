//! The thin binary: everything is in the library.

fn main() -> std::process::ExitCode {
    give_large_blocks_back();
    echograde::cli::main()
}

/// Has the C library of Linux return large blocks of memory to the system as soon as they are freed. Left alone, it takes
/// the largest block freed so far for the least that is large, and keeps all others: what the fullest tiles took would stay
/// with the program to its end, in pieces that later ones do not fit in.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
#[allow(unsafe_code)]
fn give_large_blocks_back() {
    /// Bytes of the least large block: more than a raster of a usual tile, which comes and goes all the time.
    const LARGE: libc::c_int = 4 << 20;
    /// Bytes of small blocks that are kept for the next ones.
    const SPARE: libc::c_int = 16 << 20;
    // SAFETY: two numbers are set, before any other thread is there.
    unsafe {
        libc::mallopt(libc::M_MMAP_THRESHOLD, LARGE);
        libc::mallopt(libc::M_TRIM_THRESHOLD, SPARE);
    }
}

#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
fn give_large_blocks_back() {}
