package routes

func (s *Server) checkPages() []route { return nil }
