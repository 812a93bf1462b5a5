/* INVARIANT(x): only a bug in this program makes x false. It stays on in release builds. No byte
 * from outside may reach one: what strangers send is validated at the door. */
#ifndef DOSEWRIGHT_BASE_INVARIANT_H
#define DOSEWRIGHT_BASE_INVARIANT_H

/* Supplied by the program: writes one line and aborts. The last will, the head's own run-time limit
 * and the service manager do the rest. */
_Noreturn void invariant_broken(const char *file, int line, const char *what);

#define INVARIANT(x) ((x) ? (void)0 : invariant_broken(__FILE__, __LINE__, #x))

#endif
