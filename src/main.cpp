#include "cli/run.h"

int main(int argc, char** argv) { return rebite::cli::run(argc, argv); }
