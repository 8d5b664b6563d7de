//! Memory that is given back: how the C library's allocator is set for a process that runs for years on a small computer.
//!
//! Left alone, it keeps an area for each thread and, after the first large block has been freed, also blocks as large as that: each log-in,
//! whose hash takes 19 MiB, and each export would leave its memory behind.

/// Areas that threads share.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
const AREAS: i32 = 2;
/// Blocks of this size and more, bytes, are taken from the system alone and go back to it when they are freed.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
const LARGE: i32 = 256 * 1024;
/// So much free at the end of an area, bytes, goes back.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
const SPARE: i32 = 1024 * 1024;

/// Sets the allocator, before there are threads. Where the C library is another one nothing is done.
#[allow(unsafe_code, reason = "the allocator is set by a call into C")]
pub fn be_sparing() {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    // SAFETY: mallopt takes two numbers and touches nothing of ours; what it refuses stays as it was.
    unsafe {
        libc::mallopt(libc::M_ARENA_MAX, AREAS);
        libc::mallopt(libc::M_MMAP_THRESHOLD, LARGE);
        libc::mallopt(libc::M_TRIM_THRESHOLD, SPARE);
    }
}
