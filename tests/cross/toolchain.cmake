# Builds for another processor with Debian's cross compiler and a folder with that processor's libraries:
#
#     cmake -DCMAKE_TOOLCHAIN_FILE=tests/cross/toolchain.cmake -DCROSS_ARCH=arm64 -DCROSS_ROOT=FOLDER ...
#
# CROSS_ARCH: arm64 or armhf, Debian's names. Tests run under qemu-user.
set(CMAKE_TRY_COMPILE_PLATFORM_VARIABLES CROSS_ARCH CROSS_ROOT)
if(CROSS_ARCH STREQUAL "arm64")
    set(CMAKE_SYSTEM_PROCESSOR aarch64)
    set(CROSS_TRIPLET aarch64-linux-gnu)
    set(CROSS_QEMU qemu-aarch64)
elseif(CROSS_ARCH STREQUAL "armhf")
    set(CMAKE_SYSTEM_PROCESSOR arm)
    set(CROSS_TRIPLET arm-linux-gnueabihf)
    set(CROSS_QEMU qemu-arm)
else()
    message(FATAL_ERROR "CROSS_ARCH is '${CROSS_ARCH}'; it can be arm64 or armhf")
endif()
set(CMAKE_SYSTEM_NAME Linux)
set(CMAKE_C_COMPILER ${CROSS_TRIPLET}-gcc)
set(CMAKE_SYSROOT ${CROSS_ROOT})
set(CMAKE_LIBRARY_ARCHITECTURE ${CROSS_TRIPLET})
set(CMAKE_FIND_ROOT_PATH_MODE_PROGRAM NEVER)
set(CMAKE_FIND_ROOT_PATH_MODE_LIBRARY ONLY)
set(CMAKE_FIND_ROOT_PATH_MODE_INCLUDE ONLY)
set(ENV{PKG_CONFIG_SYSROOT_DIR} ${CROSS_ROOT})
set(ENV{PKG_CONFIG_LIBDIR} ${CROSS_ROOT}/usr/lib/${CROSS_TRIPLET}/pkgconfig:${CROSS_ROOT}/usr/share/pkgconfig)
set(CMAKE_CROSSCOMPILING_EMULATOR ${CROSS_QEMU};-L;${CROSS_ROOT})
