# Warnings are errors in our own code; headers of libraries are system headers.
add_library(rebite_warnings INTERFACE)
target_compile_options(rebite_warnings INTERFACE
  -Wall -Wextra -Wpedantic -Wshadow -Wconversion -Wsign-conversion -Wnon-virtual-dtor
  -Wold-style-cast -Wimplicit-fallthrough -Wnull-dereference -Werror)
if(CMAKE_CXX_COMPILER_ID STREQUAL "GNU")
  # g++ 12 reports these falsely inside the standard library and Eigen at -O2.
  target_compile_options(rebite_warnings INTERFACE
    -Wno-null-dereference -Wno-maybe-uninitialized -Wno-array-bounds -Wno-stringop-overflow
    -Wno-stringop-overread -Wno-restrict)
endif()
if(CMAKE_CXX_COMPILER_ID STREQUAL "Clang")
  # std::stable_sort of libstdc++ 12 uses what libstdc++ 12 calls deprecated.
  target_compile_options(rebite_warnings INTERFACE -Wno-deprecated-declarations)
endif()
