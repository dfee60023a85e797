// Package cluster holds tests alone. They run three NATS servers and four watches
// as processes of their own, divide a dozen sites among them, and kill what they
// can: a watch, a server, both at once, and a watch that only sleeps.
//
// They show that nothing that was acknowledged is lost, that every alarm is raised
// once and paged once, and print how long a site was without a watch.
package cluster
