// Package api answers other programs that read what was measured: HTTP and JSON
// under /api/v1/, described by openapi.yaml (OpenAPI 3.1), and says by
// asyncapi.yaml (AsyncAPI 3.0) what passes over the queue.
//
// It only reads. What no consent was told for is not shown: a list counts it as
// withheld, and asked for by its id it is refused. Within version 1 fields and
// addresses are only added.
package api
