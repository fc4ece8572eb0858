package workflow

// HoldExamination keeps every examination waiting until release is called.
func (s *Service) HoldExamination() (release func()) {
	s.exam.Lock()
	return s.exam.Unlock
}
