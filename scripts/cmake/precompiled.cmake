# Half of a clean build is the parsing of the same library headers, file after file. They are
# parsed once here instead, for a machine without ccache (a fresh one: CI, a first build): with
# ccache most files are not compiled at all, and the two get in each other's way. Every file still
# includes what it uses: a build with ccache, or with clang (scripts/check), tells where one does not.
#   precompile(TARGET)  the target's files find those headers parsed; tests those of their kind
#                       (they are built at -O0, see rooms.cmake, and all include gtest)
set(default_precompile ON)
if(CCACHE OR NOT CMAKE_CXX_COMPILER_ID STREQUAL "GNU" OR REBITE_SANITIZE)
  set(default_precompile OFF)
endif()
option(REBITE_PRECOMPILE "Parse the common library headers once" ${default_precompile})

set(common_headers <algorithm> <array> <cmath> <expected> <filesystem> <functional> <map> <memory>
  <optional> <random> <span> <string> <thread> <vector> <fmt/format.h> <opencv2/core.hpp>
  <opencv2/imgproc.hpp> <nlohmann/json.hpp>)

# The files of a target must be compiled as the headers were: same options, same definitions of fmt.
function(precompiled_headers NAME)
  cmake_parse_arguments(P "" "" "HEADERS;OPTIONS;PACKAGES" ${ARGN})
  file(WRITE ${CMAKE_BINARY_DIR}/${NAME}.cpp "")
  add_library(${NAME} OBJECT ${CMAKE_BINARY_DIR}/${NAME}.cpp)
  target_link_libraries(${NAME} PRIVATE rebite_warnings fmt::fmt opencv::core ${P_PACKAGES})
  target_compile_options(${NAME} PRIVATE ${P_OPTIONS})
  target_precompile_headers(${NAME} PRIVATE ${P_HEADERS})
endfunction()

# Several files of a target are compiled as one, too: what they use of JSON, Eigen, Boost and gtest is
# instantiated once for all. Two helpers of one name in two files of a room meet here, and only here:
# give one another name.
function(precompile TARGET)
  cmake_parse_arguments(P "TESTS;WORDS" "" "" ${ARGN})
  if(NOT REBITE_PRECOMPILE)
    return()
  endif()
  set(carrier rebite_common_headers)
  set(files_as_one 4)  # of long ones: more would leave a core idle at the end
  if(P_TESTS)
    set(carrier rebite_test_headers)
    set(files_as_one 5)
  elseif(P_WORDS)
    set(carrier rebite_word_headers)
    set(files_as_one 6)
  endif()
  # A variable named as another file's constant is no fault; within a file a build with ccache tells.
  set_target_properties(${TARGET} PROPERTIES UNITY_BUILD ON UNITY_BUILD_BATCH_SIZE ${files_as_one}
    UNITY_BUILD_CODE_BEFORE_INCLUDE "#pragma GCC diagnostic ignored \"-Wshadow\"")
  target_link_libraries(${TARGET} PRIVATE fmt::fmt)
  target_compile_options(${TARGET} PRIVATE -Winvalid-pch)
  target_precompile_headers(${TARGET} REUSE_FROM ${carrier})
endfunction()

if(REBITE_PRECOMPILE)
  precompiled_headers(rebite_common_headers HEADERS ${common_headers})
  precompiled_headers(rebite_word_headers HEADERS ${common_headers}
    OPTIONS $<$<CONFIG:Release>:-O1>)
  if(REBITE_TESTS)
    find_package(GTest REQUIRED)
    precompiled_headers(rebite_test_headers HEADERS ${common_headers} <gtest/gtest.h> <gmock/gmock.h>
      OPTIONS $<$<CONFIG:Release>:-O0> PACKAGES GTest::gmock GTest::gtest)
  endif()
endif()
