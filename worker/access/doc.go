// Package access decides who may use what Nightcage serves over HTTP.
//
// A token is made with scopes and shown once; the file keeps its SHA-256 only. A
// Guard asks for it on every request, in the header of RFC 6750 or, for browsers,
// as the password of RFC 7617, and holds each token and each guessing address to a
// rate. Over a network the connection must be encrypted by whatever stands in
// front: a token in clear text is anyone's.
package access
