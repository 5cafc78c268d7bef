// The last thing a user reads where Rebite, or a library of it, fails as it never should.
#pragma once

namespace rebite::cli {

// From now on a crash of any thread (SIGSEGV, SIGBUS, SIGFPE, SIGILL, SIGABRT) is told on standard
// error, as to what became of files and what to do next; the program then ends by that signal all
// the same. A stack that ran over is told for the calling thread only. Handlers already there, as of
// a sanitizer, stay.
void tell_crashes();

}  // namespace rebite::cli
