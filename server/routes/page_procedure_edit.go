package routes

func (s *Server) procedureEditPages() []route { return nil }
