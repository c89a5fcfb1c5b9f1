// Package deliver brings alerts to people: the outbox that tells, repeats and
// gives up, and the channels it tells by. What to tell is alert's decision, and
// the journal keeps what was told; this package keeps nothing of its own, so
// that a restart neither loses nor repeats a message.
//
// How often. Every alert is told once on every channel. An unanswered
// crash-now is told again after 5 minutes and then every 15; any other urgent
// alert hourly: the beer gets worse meanwhile. All of it ends when the alert is
// acknowledged, resolved (the crash was started, the beer packaged), or a day
// old. A message that is accepted by a service was not seen by a person.
//
// How sure. The journal is told before and after each attempt. A kill between
// the two leaves unknown whether the message went out; it is then sent once
// more, so a kill can double a message and cannot lose one.
package deliver
