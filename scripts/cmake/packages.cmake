# Every library comes from Debian, by the package names in scripts/packages.
find_package(PkgConfig REQUIRED)
find_package(Threads REQUIRED)
find_package(Eigen3 3.4 REQUIRED)
find_package(TIFF REQUIRED)
find_package(ZLIB REQUIRED)
find_package(PNG REQUIRED)
find_package(JPEG REQUIRED)
find_package(nlohmann_json 3.11 REQUIRED)
find_package(fmt REQUIRED)
find_package(CLI11 REQUIRED)
find_package(SQLiteCpp REQUIRED)
find_package(Boost 1.81 REQUIRED)
pkg_check_modules(lcms2 REQUIRED IMPORTED_TARGET lcms2)
pkg_check_modules(cairo REQUIRED IMPORTED_TARGET cairo)
pkg_check_modules(freetype REQUIRED IMPORTED_TARGET freetype2)
pkg_check_modules(sqlite3 REQUIRED IMPORTED_TARGET sqlite3)

# Debian's separate OpenCV packages carry no CMake config (only the whole tree does),
# so the modules are found by name. imgcodecs and highgui are left out on purpose: they
# read 16-bit planar TIFF wrongly and pull in a hundred more libraries.
find_path(OPENCV_INCLUDE opencv2/core.hpp PATH_SUFFIXES opencv4 REQUIRED)
foreach(module core imgproc flann features2d calib3d)
  find_library(OPENCV_${module} opencv_${module} REQUIRED)
  add_library(opencv::${module} UNKNOWN IMPORTED)
  set_target_properties(opencv::${module} PROPERTIES
    IMPORTED_LOCATION ${OPENCV_${module}}
    INTERFACE_INCLUDE_DIRECTORIES ${OPENCV_INCLUDE})
endforeach()
