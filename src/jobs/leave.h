// Ending the program in the middle of an errand without leaving half-written files.
#pragma once

namespace rebite::jobs {

// Removes the temporaries this process is writing and ends it with this exit code. Outputs that
// were already renamed into place are complete.
[[noreturn]] void leave_at_once(int exit_code);

// Whether an output was put in its place already.
bool outputs_are_there();

// As leave_at_once, where the user stopped it; tells on stderr whether anything was written.
[[noreturn]] void leave_stopped(int exit_code);

}  // namespace rebite::jobs
