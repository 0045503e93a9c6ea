package routes

func (s *Server) pinMapPages() []route { return nil }
