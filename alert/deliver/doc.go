// Package deliver brings alerts to people: the outbox that tells, repeats and
// gives up, and the channels it tells by. What to tell is alert's decision, and
// the journal keeps what was told; this package keeps nothing of its own, so
// that a restart neither loses nor repeats a message.
//
// How often. An unanswered crash-now is told again after 5 minutes and then
// every 15; any other urgent alert hourly: the beer gets worse meanwhile. All
// of it ends when the alert is acknowledged, resolved (the crash was started,
// the beer packaged), or a day old. A message that is accepted by a service was
// not seen by a person.
//
// Where. The channels form a ladder, see Rung: the first is told at once, the
// next once nobody has answered for a while, or as soon as those before it do
// not get through. The ladder is worked out anew from the journal at each look,
// so no restart starts it again.
//
// How sure. The journal is told before and after each attempt. A kill between
// the two leaves unknown whether the message went out; it is then sent once
// more, so a kill can double a message and cannot lose one.
package deliver
