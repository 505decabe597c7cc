package worker

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nkeys"
)

// certs writes an authority and a certificate of it for both ends.
func certs(t *testing.T, dir string) (ca, cert, key string) {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	write := func(name, kind string, der []byte) string {
		p := filepath.Join(dir, name)
		must(os.WriteFile(p, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600))
		return p
	}
	caKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(err)
	authority := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"},
		NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign}
	caDER, err := x509.CreateCertificate(rand.Reader, authority, authority, &caKey.PublicKey, caKey)
	must(err)
	leafKey, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(err)
	leaf := &x509.Certificate{SerialNumber: big.NewInt(2), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}}
	leafDER, err := x509.CreateCertificate(rand.Reader, leaf, authority, &leafKey.PublicKey, caKey)
	must(err)
	keyDER, err := x509.MarshalECPrivateKey(leafKey)
	must(err)
	return write("ca.pem", "CERTIFICATE", caDER), write("cert.pem", "CERTIFICATE", leafDER), write("key.pem", "EC PRIVATE KEY", keyDER)
}

// realm is an operator with a system account and one account that may use JetStream.
type realm struct {
	operator string            // JWT
	system   string            // public key of the system account
	accounts map[string]string // JWTs by public key
}

// newRealm writes a user's credentials.
func newRealm(t *testing.T, creds string) realm {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	re := realm{accounts: map[string]string{}}
	operator, err := nkeys.CreateOperator()
	must(err)
	operatorPub, err := operator.PublicKey()
	must(err)
	account := func(js bool) (nkeys.KeyPair, string) {
		kp, err := nkeys.CreateAccount()
		must(err)
		pub, err := kp.PublicKey()
		must(err)
		ac := jwt.NewAccountClaims(pub)
		if js {
			ac.Limits.JetStreamLimits = jwt.JetStreamLimits{MemoryStorage: jwt.NoLimit, DiskStorage: jwt.NoLimit, Streams: jwt.NoLimit, Consumer: jwt.NoLimit}
		}
		re.accounts[pub], err = ac.Encode(operator)
		must(err)
		return kp, pub
	}
	_, re.system = account(false)
	oc := jwt.NewOperatorClaims(operatorPub)
	oc.SystemAccount = re.system
	re.operator, err = oc.Encode(operator)
	must(err)
	acc, _ := account(true)
	user, err := nkeys.CreateUser()
	must(err)
	userPub, err := user.PublicKey()
	must(err)
	ujwt, err := jwt.NewUserClaims(userPub).Encode(acc)
	must(err)
	seed, err := user.Seed()
	must(err)
	file, err := jwt.FormatUserConfig(ujwt, seed)
	must(err)
	must(os.WriteFile(creds, file, 0o600))
	return re
}

// remoteServer runs a JetStream server that wants a client certificate and
// credentials, and returns how to reach it.
func remoteServer(t *testing.T) Remote {
	t.Helper()
	dir := t.TempDir()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	r := Remote{Creds: filepath.Join(dir, "user.creds")}
	r.CA, r.Cert, r.Key = certs(t, dir)
	re := newRealm(t, r.Creds)
	oc, err := jwt.DecodeOperatorClaims(re.operator)
	must(err)
	resolver := &server.MemAccResolver{}
	for pub, token := range re.accounts {
		must(resolver.Store(pub, token))
	}
	pair, err := tls.LoadX509KeyPair(r.Cert, r.Key)
	must(err)
	caPEM, err := os.ReadFile(r.CA)
	must(err)
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(caPEM)
	srv, err := server.NewServer(&server.Options{
		Host: "127.0.0.1", Port: server.RANDOM_PORT, JetStream: true, StoreDir: filepath.Join(dir, "js"), SyncAlways: true, NoSigs: true, NoLog: true,
		TrustedOperators: []*jwt.OperatorClaims{oc}, AccountResolver: resolver, SystemAccount: re.system,
		TLS: true, TLSVerify: true, TLSTimeout: 5,
		TLSConfig: &tls.Config{Certificates: []tls.Certificate{pair}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool, MinVersion: tls.VersionTLS12},
	})
	must(err)
	srv.Start()
	t.Cleanup(func() { srv.Shutdown(); srv.WaitForShutdown() })
	if !srv.ReadyForConnections(10 * time.Second) {
		t.Fatal("server not ready")
	}
	r.URL = "nats://" + srv.Addr().String()
	return r
}

// One home submits, another one works, a server elsewhere is between them. The
// submitter learns the outcome from the queue's feed and dead letters.
func TestRemoteQueueBetweenTwoHomes(t *testing.T) {
	t.Parallel()
	r := remoteServer(t)
	here, there := newNight(t), newNight(t)
	good, bad, nothing := here.clip("a.mp4", "ok"), here.clip("b.mp4", "bad"), here.clip("c.mp4", "nothing")

	q, err := OpenQueue(t.Context(), here.Home, QueueOptions{Remote: r})
	if err != nil {
		t.Fatal(err)
	}
	defer q.Close()
	d := &Desk{Ledger: here.Ledger, Records: here.Records, Queue: q}
	for _, j := range []Job{good, bad, nothing} {
		if rc, err := d.Submit(t.Context(), j); err != nil || rc.Outcome != OutcomeQueued {
			t.Fatalf("%v, %v", rc.Outcome, err)
		}
	}
	there.Drain = true
	if err := there.Serve(t.Context(), t.Context(), QueueOptions{Remote: r}); err != nil {
		t.Fatal(err)
	}
	if there.state(good) != StateMeasured || there.state(bad) != StateDead {
		t.Fatalf("there: %s, %s", there.state(good), there.state(bad))
	}
	if rec, err := Reconcile(t.Context(), d); err != nil || rec.Settled != 3 || rec.Resent != 0 {
		t.Fatalf("%+v, %v", rec, err)
	}
	if here.state(good) != StateMeasured || here.state(bad) != StateDead || here.state(nothing) != StateUnmeasured {
		t.Errorf("here: %s, %s, %s", here.state(good), here.state(bad), here.state(nothing))
	}
	if a, err := Audit(t.Context(), d); err != nil || !a.Balanced() || a.Recorded != 2 || a.Dead != 1 {
		t.Errorf("%v, %v", a, err)
	}
}

// Each credential is needed, and its absence is an unavailable queue, said
// within the time-out.
func TestRemoteQueueRefuses(t *testing.T) {
	t.Parallel()
	whole := remoteServer(t)
	n := newNight(t)
	for name, change := range map[string]func(*Remote){
		"no credentials": func(r *Remote) { r.Creds = "" },
		"no authority":   func(r *Remote) { r.CA = "" },
		"no certificate": func(r *Remote) { r.Cert, r.Key = "", "" },
		"no server":      func(r *Remote) { r.URL = "nats://127.0.0.1:1" },
	} {
		r := whole
		change(&r)
		q, err := OpenQueue(t.Context(), n.Home, QueueOptions{Remote: r})
		if err == nil {
			q.Close()
		}
		if !errors.Is(err, ErrQueue) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
