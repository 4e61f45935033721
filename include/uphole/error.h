/* SPDX-License-Identifier: Apache-2.0
 *
 * error.h - what went wrong, where, and why: one value that climbs whole from the deepest function that knows.
 */
#ifndef UPHOLE_ERROR_H
#define UPHOLE_ERROR_H

/** Kinds of failure. Zero is success; a caller switches on the kind, a person reads `why`. */
enum up_rc {
    UP_OK = 0,
    UP_E_USAGE,   /* the command line or a call's arguments are off */
    UP_E_CONFIG,  /* the configuration, a map or a secret's file is off */
    UP_E_INPUT,   /* data from outside does not parse */
    UP_E_RANGE,   /* a number lies outside what is possible */
    UP_E_TIMEOUT, /* nothing came in time */
    UP_E_FRAME,   /* bytes came, but no valid frame */
    UP_E_PORT,    /* a port, socket or pty is gone or refused */
    UP_E_DISK,    /* the disk or the database refused */
    UP_E_NEWER,   /* a file was written by a newer version */
    UP_E_LOCKED,  /* somebody else holds it */
    UP_E_MISSING, /* no such file, row or name */
    UP_E_FULL,    /* a bounded buffer is full */
    UP_E_MEMORY,  /* no memory at start */
    UP_E_FOREIGN, /* what stands there is another program's */
    UP_E_SYSTEM   /* any other refusal of the operating system */
};

#define UP_WHY_MAX 320

/** The caller owns it; success leaves it untouched. `why` is one plain sentence without a full stop's line feed. */
struct up_error {
    enum up_rc rc;
    int sys_errno;    /* errno at the moment of failure, or 0 */
    const char *file; /* our source file and line, for developers only */
    int line;
    char why[UP_WHY_MAX];
};

#define UP_MUST __attribute__((warn_unused_result))

/**
 * Writes the reason into `error` (which may be NULL) and returns `rc`, so that a function can `return UP_FAIL(...)`.
 * errno is kept as it was. Text longer than UP_WHY_MAX is cut.
 */
__attribute__((format(printf, 6, 7))) enum up_rc up_fail(struct up_error *error, enum up_rc rc,
                                                         int sys_errno, const char *file, int line,
                                                         const char *format, ...);

#define UP_FAIL(error, rc, ...) up_fail((error), (rc), 0, __FILE__, __LINE__, __VA_ARGS__)
/** As UP_FAIL, and keeps errno; the text should hold strerror's words only where they help a person. */
#define UP_FAIL_ERRNO(error, rc, ...) up_fail((error), (rc), errno, __FILE__, __LINE__, __VA_ARGS__)

/** Puts "prefix: " before what `error` says already; for a caller that knows more of the where. */
__attribute__((format(printf, 2, 3))) void up_error_prefix(struct up_error *error,
                                                           const char *format, ...);

/** The sysexits.h code with which a command ends for this kind of failure (0 for UP_OK). */
int up_exit_code(enum up_rc rc);

#endif
