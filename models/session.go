package models

import (
	"context"
	"errors"
	"fmt"

	ort "github.com/yalue/onnxruntime_go"
)

// Session is one network ready to run, with its own input and output buffers.
// It is for one goroutine at a time; sessions are independent of each other.
type Session struct {
	network Network
	session *ort.AdvancedSession
	inputs  []*ort.Tensor[float32]
	outputs []*ort.Tensor[float32]
}

// Open makes a session, loading ONNX Runtime if need be. Errors: *LibraryError,
// *UnknownError, *HashError, or what the runtime said. The caller closes the
// session. A session runs on the calling thread alone: clips are worked on in
// parallel, and a second thread per network makes each slower when they are.
func Open(ctx context.Context, n Network) (*Session, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("opening network %s: %w", n, err)
	}
	onnx, err := read(n)
	if err != nil {
		return nil, err
	}
	if err := Load(); err != nil {
		return nil, err
	}
	s := &Session{network: n}
	if err := s.open(onnx); err != nil {
		return nil, fmt.Errorf("opening network %s: %w", n, errors.Join(err, s.Close()))
	}
	return s, nil
}

func (s *Session) open(onnx []byte) error {
	options, err := sessionOptions()
	if err != nil {
		return err
	}
	defer options.Destroy()
	ports := networks[s.network]
	inNames, ins, err := newTensors(ports.inputs, &s.inputs)
	if err != nil {
		return err
	}
	outNames, outs, err := newTensors(ports.outputs, &s.outputs)
	if err != nil {
		return err
	}
	s.session, err = ort.NewAdvancedSessionWithONNXData(onnx, inNames, outNames, ins, outs, options)
	return err
}

func newTensors(ports []Tensor, keep *[]*ort.Tensor[float32]) (names []string, values []ort.Value, err error) {
	for _, p := range ports {
		t, err := ort.NewEmptyTensor[float32](ort.NewShape(p.Shape...))
		if err != nil {
			return nil, nil, fmt.Errorf("tensor %s: %w", p.Name, err)
		}
		*keep = append(*keep, t)
		names, values = append(names, p.Name), append(values, t)
	}
	return names, values, nil
}

func sessionOptions() (*ort.SessionOptions, error) {
	o, err := ort.NewSessionOptions()
	if err != nil {
		return nil, err
	}
	err = errors.Join(
		o.SetIntraOpNumThreads(1),
		o.SetInterOpNumThreads(1),
		o.SetExecutionMode(ort.ExecutionModeSequential),
		o.SetGraphOptimizationLevel(ort.GraphOptimizationLevelEnableAll),
		o.AddSessionConfigEntry("session.intra_op.allow_spinning", "0"),
		o.AddSessionConfigEntry("session.inter_op.allow_spinning", "0"),
	)
	if err != nil {
		return nil, errors.Join(err, o.Destroy())
	}
	return o, nil
}

// Network is the network that the session runs.
func (s *Session) Network() Network { return s.network }

// Input is the i-th input's buffer, row-major in the shape that the Network's
// comment gives. Fill it before Run. It is the session's: not valid after Close.
func (s *Session) Input(i int) []float32 { return s.inputs[i].GetData() }

// Output is the i-th output's buffer; Run overwrites it. Not valid after Close.
func (s *Session) Output(i int) []float32 { return s.outputs[i].GetData() }

// Run computes the outputs from the inputs. It allocates nothing on the Go
// side. A run in progress is not interrupted (the longest takes some 10 ms);
// ctx is looked at before.
func (s *Session) Run(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("running network %s: %w", s.network, err)
	}
	if s.session == nil {
		return fmt.Errorf("running network %s: the session is closed", s.network)
	}
	if err := s.session.Run(); err != nil {
		return fmt.Errorf("running network %s: %w", s.network, err)
	}
	return nil
}

// Close frees the session's native memory. Closing again does nothing.
func (s *Session) Close() error {
	var errs []error
	if s.session != nil {
		errs = append(errs, s.session.Destroy())
		s.session = nil
	}
	for _, list := range []*[]*ort.Tensor[float32]{&s.inputs, &s.outputs} {
		for _, t := range *list {
			errs = append(errs, t.Destroy())
		}
		*list = nil
	}
	return errors.Join(errs...)
}
