/* Copyright 2026 The robot_mapping_qa authors
 * SPDX-License-Identifier: Apache-2.0
 *
 * Before a program's own libraries (LD_PRELOAD) this sets its host clock off by as many
 * nanoseconds as stand in the file that STEPPED_CLOCK names; another number there is a step.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <time.h>
#include <unistd.h>

static const int64_t S = 1000000000;
static const volatile int64_t *off_ns;
static int (*real_gettime)(clockid_t, struct timespec *);

__attribute__((constructor)) static void begin(void)
{
  const char *path = getenv("STEPPED_CLOCK");
  int file = path ? open(path, O_RDONLY) : -1;
  void *mapped = file < 0 ? MAP_FAILED : mmap(0, sizeof *off_ns, PROT_READ, MAP_SHARED, file, 0);
  if (mapped != MAP_FAILED) {
    off_ns = mapped;
  }
  if (file >= 0) {
    close(file);
  }
}

int clock_gettime(clockid_t clock, struct timespec *now)
{
  if (!real_gettime) {
    real_gettime = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
  }
  int result = real_gettime(clock, now);
  if (result == 0 && clock == CLOCK_REALTIME && off_ns) {
    int64_t ns = now->tv_sec * S + now->tv_nsec + *off_ns;
    now->tv_sec = ns / S;
    now->tv_nsec = ns % S;
  }
  return result;
}
